"""A simulated I/O block and controller for demonstrations: a real Modbus TCP server on loopback.

Run as ``python -m tablevoice.guard.simulated_block``; it stands where the machine's hardware
would be and is no part of the guard. Discrete inputs are the contacts named on the command
line, coils 0 and 1 are the permit and the heartbeat. A second port takes presses and tells
what happened, with times taken here, so that a reaction is measured at the peer. The Modbus
side is ``pymodbus``, an implementation that is not ours.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import socket
import sys
from collections.abc import Sequence

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tablevoice.guard.clock import now_ns

MOST_CONTACTS = 16
PERMIT, HEARTBEAT = 0, 1
LINES_WAITING_AT_MOST = 10_000
_READ_DISCRETE_INPUTS, _WRITES = 2, (5, 15)


class Block:
    """The contacts, the two coils, and everybody who listens on the control port."""

    def __init__(self, contacts: Sequence[str], closed: Sequence[str]) -> None:
        self.contacts = {name: name in closed for name in contacts}
        self.coils = [False, False]
        self._opened_ns: int | None = None
        self._listeners: set[asyncio.Queue[str]] = set()

    def move(self, name: str, closed: bool) -> None:
        """Close or open a contact, now."""
        at_ns = now_ns()
        before, self.contacts[name] = self.contacts[name], closed
        if before and not closed and self.coils[PERMIT] and self._opened_ns is None:
            self._opened_ns = at_ns
        self.tell(at_ns, "contact", name=name, closed=closed)

    def written(self, first: int, values: Sequence[bool]) -> None:
        """The guard wrote coils."""
        at_ns = now_ns()
        for place, on in enumerate(values, first):
            if place >= len(self.coils) or self.coils[place] == on:
                continue
            self.coils[place] = on
            if place == HEARTBEAT:
                self.tell(at_ns, "heartbeat", on=on)
                continue
            reaction_ms: float | None = None
            if not on and self._opened_ns is not None:
                reaction_ms = (at_ns - self._opened_ns) / 1e6
            self._opened_ns = None
            self.tell(at_ns, "permit", on=on, reaction_ms=reaction_ms)

    def tell(self, at_ns: int, kind: str, **what: object) -> None:
        line = json.dumps({"t_ns": at_ns, "type": kind, **what})
        for listener in self._listeners:
            if listener.qsize() < LINES_WAITING_AT_MOST:
                listener.put_nowait(line)

    async def act(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """pymodbus asks here before every read and write."""
        if function == _READ_DISCRETE_INPUTS:
            registers[0] = sum(
                1 << place for place, closed in enumerate(self.contacts.values()) if closed
            )
        elif function in _WRITES and values is not None:
            self.written(address, [bool(value) for value in values])
        return None

    async def control(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection to the control port."""
        queue: asyncio.Queue[str] = asyncio.Queue()
        self._listeners.add(queue)

        async def send() -> None:
            while True:
                writer.write((await queue.get() + "\n").encode())
                await writer.drain()

        sending = asyncio.create_task(send())
        try:
            while line := await reader.readline():
                await self._command(line, queue)
        except (ConnectionError, ValueError):
            pass  # a demonstration that went away or sends no lines
        finally:
            sending.cancel()
            self._listeners.discard(queue)
            writer.close()

    async def _command(self, line: bytes, answer: asyncio.Queue[str]) -> None:
        try:
            message = json.loads(line)
            name = str(message["contact"])
            if name not in self.contacts:
                raise KeyError(f"{name} is not one of {', '.join(self.contacts)}")
            if "press_s" in message:
                seconds = float(message["press_s"])
                before = self.contacts[name]
                self.move(name, not before)
                await asyncio.sleep(seconds)
                self.move(name, before)
            else:
                self.move(name, bool(message["closed"]))
        except (ValueError, KeyError, TypeError) as problem:
            answer.put_nowait(
                json.dumps(
                    {
                        "type": "refused",
                        "what": str(problem),
                        "do": 'Send {"contact": NAME, "closed": true} or "press_s": 0.3.',
                    }
                )
            )


def device(block: Block) -> SimDevice:
    """The pymodbus device in front of a block: 16 coils, 16 discrete inputs."""
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    unused = [SimData(0, values=0, datatype=DataType.REGISTERS)]
    return SimDevice(id=0, simdata=(bits, bits, unused, unused), action=block.act)


async def serve(block: Block, port: int, control_port: int) -> None:
    """Serve until SIGTERM; prints one JSON line with both ports when ready."""
    if port == 0:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
    server = ModbusTcpServer(device(block), address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    control = await asyncio.start_server(block.control, "127.0.0.1", control_port)
    control_port = control.sockets[0].getsockname()[1]
    print(json.dumps({"modbus_port": port, "control_port": control_port}), flush=True)
    ending = asyncio.Event()
    if sys.platform != "win32":
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, ending.set)
    await ending.wait()
    control.close()
    await server.shutdown()  # type: ignore[no-untyped-call]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(
        description="A simulated I/O block: contacts as discrete inputs, permit and heartbeat coils"
    )
    parser.add_argument("--port", type=int, default=0, help="Modbus TCP port (0: any free one)")
    parser.add_argument("--control-port", type=int, default=0, help="control port (0: any)")
    parser.add_argument("--contacts", default="stop,reset", help="names, from address 0 on")
    parser.add_argument("--closed", default="stop", help="names that are closed at the start")
    arguments = parser.parse_args(argv)
    contacts = arguments.contacts.split(",")
    if len(contacts) > MOST_CONTACTS:
        parser.error(f"at most {MOST_CONTACTS} contacts")
    asyncio.run(
        serve(Block(contacts, arguments.closed.split(",")), arguments.port, arguments.control_port)
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
