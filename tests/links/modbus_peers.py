"""Controllers on the other side of a Modbus link: by pymodbus, and by libmodbus in a process.

A peer reads the table's registers and writes the controller's, by their addresses; whether it
polls the table or is polled by it, a test need not know.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tablevoice.links.modbus import ModbusLink
from tablevoice.links.modbus_codes import Refusal, State
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, RegisterMap
from tablevoice.model import Phrasebook
from tests.links.modbus_cells import free_port, small_map
from tests.links.paper_table import PaperTable

Result = TypeVar("Result")

WAIT_S = 20.0
REGISTERS = 200


class Peer(Protocol):
    async def read(self, first: int, count: int) -> list[int]: ...

    async def write(self, first: int, values: Sequence[int]) -> None: ...

    async def end(self) -> None: ...


class Refused(Exception):
    """The peer's library reports an exception answer or a lost connection."""


# --- pymodbus -----------------------------------------------------------------------------


class PymodbusClient:
    """Polls the table. ``source``: its own address on loopback."""

    def __init__(self, port: int, source: str = "127.0.0.1") -> None:
        self.client = AsyncModbusTcpClient(
            "127.0.0.1", port=port, timeout=5, retries=0, reconnect_delay=0,
            source_address=(source, 0))  # fmt: skip

    async def begin(self) -> PymodbusClient:
        assert await self.client.connect()
        return self

    async def read(self, first: int, count: int) -> list[int]:
        answer = await self.client.read_holding_registers(first, count=count)
        if answer.isError():
            raise Refused(f"exception {answer.exception_code}")
        return list(answer.registers)

    async def write(self, first: int, values: Sequence[int]) -> None:
        answer = await self.client.write_registers(first, list(values))
        if answer.isError():
            raise Refused(f"exception {answer.exception_code}")

    async def end(self) -> None:
        self.client.close()


class PymodbusBlock:
    """An I/O block that the table polls; its registers are seen from inside."""

    def __init__(self, port: int) -> None:
        self.registers: list[int] = [0] * REGISTERS
        self.port = port

    async def begin(self) -> PymodbusBlock:
        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        own = [SimData(0, values=list(self.registers), datatype=DataType.REGISTERS)]
        unused = [SimData(0, values=0, datatype=DataType.REGISTERS)]

        async def seen(
            function: int, start: int, address: int, count: int, registers: list[int],
            values: list[int] | list[bool] | None,
        ) -> None:  # fmt: skip
            if values is not None:
                self.registers[address : address + len(values)] = [int(one) for one in values]
            registers[: len(self.registers)] = self.registers

        device = SimDevice(id=0, simdata=(bits, bits, own, unused), action=seen)
        self._server = ModbusTcpServer(device, address=("127.0.0.1", self.port))
        await self._server.serve_forever(background=True)
        return self

    async def read(self, first: int, count: int) -> list[int]:
        return self.registers[first : first + count]

    async def write(self, first: int, values: Sequence[int]) -> None:
        self.registers[first : first + len(values)] = values

    async def end(self) -> None:
        await self._server.shutdown()  # type: ignore[no-untyped-call]


# --- libmodbus ----------------------------------------------------------------------------


def build_libmodbus_controller(folder: Path) -> Path:
    """Compile the C peer into ``folder``; AssertionError with what is missing."""
    assert shutil.which("gcc"), "needs gcc: apt-get install gcc libc6-dev"
    found = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True,
        check=False)  # fmt: skip
    assert found.returncode == 0, "needs libmodbus: apt-get install pkg-config libmodbus-dev"
    program = folder / "libmodbus_controller"
    source = Path(__file__).with_name("libmodbus_controller.c")
    subprocess.run(
        ["gcc", "-O2", "-Wall", "-Werror", "-o", program, source, *found.stdout.split()],
        check=True)  # fmt: skip
    return program


class LibmodbusPeer:
    """A controller in a process of its own: ``poll`` a table, or a ``block`` that is polled."""

    def __init__(self, program: Path, role: str, port: int) -> None:
        self._command = (str(program), role, str(port), str(REGISTERS))

    async def begin(self) -> LibmodbusPeer:
        self.process = await asyncio.create_subprocess_exec(
            *self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        answer = await self._line()
        assert answer == ["ready"], answer
        return self

    async def read(self, first: int, count: int) -> list[int]:
        return [int(one) for one in (await self._ask(f"r {first} {count}"))[1:]]

    async def read_input(self, first: int, count: int) -> list[int]:
        return [int(one) for one in (await self._ask(f"i {first} {count}"))[1:]]

    async def exchange(self, first: int, value: int, read: int, count: int) -> list[int]:
        """Write one register and read others in one request (function 23)."""
        answer = await self._ask(f"x {first} 1 {read} {count} {value}")
        return [int(one) for one in answer[1:]]

    async def write(self, first: int, values: Sequence[int]) -> None:
        await self._ask(f"w {first} {' '.join(map(str, values))}")

    async def end(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            self.process.kill()
        await self.process.wait()

    async def _ask(self, line: str) -> list[str]:
        assert self.process.stdin is not None
        self.process.stdin.write(line.encode() + b"\n")
        await self.process.stdin.drain()
        answer = await self._line()
        if answer[0] == "e":
            raise Refused(" ".join(answer[1:]))
        return answer

    async def _line(self) -> list[str]:
        assert self.process.stdout is not None
        line = await asyncio.wait_for(self.process.stdout.readline(), WAIT_S)
        assert line, "the C peer has ended"
        return line.decode().split()


# --- a controller's program ---------------------------------------------------------------


class Program:
    """What a controller does with a peer, by the rules of the map."""

    def __init__(self, peer: Peer, register_map: RegisterMap) -> None:
        self.peer = peer
        self.map = register_map
        self.sequence = 0

    async def write_at(self, place: int, *values: int) -> None:
        await self.peer.write(self.map.entry.commands_at + place, values)

    async def status(self) -> list[int]:
        return await self.peer.read(self.map.entry.status_at, self.map.status_count)

    async def status_when(self, fits: Callable[[list[int]], bool]) -> list[int]:
        """The first status that is as wanted."""
        end_s = asyncio.get_running_loop().time() + WAIT_S
        while True:
            status = await self.status()
            if fits(status):
                return status
            assert asyncio.get_running_loop().time() < end_s, f"never; the last one was {status}"
            await asyncio.sleep(0.005)

    async def begin(self) -> None:
        """As rule 1 and 2 of the hand-shake: write the block once, go on from the echo."""
        await self.write_at(0, *[0] * self.map.command_count)
        status = await self.status_when(lambda status: self.of(status, ChannelStatus.STATE) != 0)
        self.sequence = self.of(status, ChannelStatus.ECHO)

    async def send(self, event: str, **slots: int) -> None:
        for name, value in slots.items():
            await self.write_at(self.map.slot(0, name), value)
        number = self.map.entry.numbers.events[event]
        await self.write_at(self.map.command(0, ChannelCommand.EVENT), number)
        self.sequence = self.sequence % 0xFFFF + 1
        await self.write_at(self.map.command(0, ChannelCommand.SEQUENCE), self.sequence)

    async def outcome(self) -> list[int]:
        """The status once the last event is over."""
        return await self.status_when(
            lambda status: self.of(status, ChannelStatus.ECHO) == self.sequence
            and self.of(status, ChannelStatus.STATE) > State.TAKEN)  # fmt: skip

    def of(self, status: list[int], what: ChannelStatus, channel: int = 0) -> int:
        return status[self.map.status(channel, what)]

    def state(self, status: list[int]) -> tuple[State, Refusal]:
        return (
            State(self.of(status, ChannelStatus.STATE)),
            Refusal(self.of(status, ChannelStatus.REFUSAL)),
        )


@asynccontextmanager
async def ended(beginning: Awaitable[Peer]) -> AsyncIterator[Peer]:
    """A peer that has begun, ended in any case."""
    peer = await beginning
    try:
        yield peer
    finally:
        await peer.end()


# --- a table with its link ----------------------------------------------------------------


def run(what: Coroutine[Any, Any, Result]) -> Result:
    """Run a test's coroutine; an exception that nobody would see fails it."""
    unseen: list[dict[str, Any]] = []

    async def watched() -> Result:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: unseen.append(context))
        return await asyncio.wait_for(what, 90)

    result = asyncio.run(watched())
    assert unseen == []
    return result


@asynccontextmanager
async def linked(table: PaperTable, register_map: RegisterMap) -> AsyncIterator[ModbusLink]:
    async with ModbusLink(register_map.entry, table) as link:
        table.audience.join(link.told)
        try:
            yield link
        finally:
            table.audience.leave(link.told)
            table.close()


@asynccontextmanager
async def opened(
    book: Phrasebook, **settings: Any
) -> AsyncIterator[tuple[PaperTable, RegisterMap]]:
    """An open table with its link."""
    table, register_map = PaperTable(book), small_map(book, **{"port": free_port(), **settings})
    table.open()
    async with linked(table, register_map):
        yield table, register_map
