"""The client role: the table polls and writes the cell's I/O block over Modbus TCP.

Knows the connection, its loss and its return; what registers mean is the link's affair. What
belongs together becomes visible in order: first the data, then the states, then the echoed
numbers, so that a controller that reads in the middle never takes an old answer for a new one.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable, Sequence

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException, ModbusIOException

from tablevoice.errors import Problem
from tablevoice.links.modbus_map import ChannelStatus, RegisterMap, Status
from tablevoice.links.modbus_settings import ModbusEntry

RETRY_FIRST_S, RETRY_MOST_S = 0.2, 5.0
"""From one failed connection to the next: doubled each time, up to the second number."""

LAST_WORD_S = 1.0
"""For telling the block that the table has closed."""

Polled = Callable[[list[int], float], None]
"""Given the command block, and how many seconds ago it may have changed at most."""


class ModbusClient:
    """An async context manager around the one task that polls. Never raises for a lost block.

    ``status`` gives the status block; ``report`` is told of a loss once, and of the return.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        polled: Polled,
        status: Callable[[], list[int]],
        report: Callable[[Problem], None],
    ) -> None:
        self._map = register_map
        self._polled = polled
        self._status = status
        self._report = report
        self._news = asyncio.Event()
        self._closing = asyncio.Event()
        self._lost_s: float | None = None
        self._read_s: float | None = None
        self._written: list[int] = []

    async def __aenter__(self) -> ModbusClient:
        self._polling = asyncio.create_task(self._poll())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._closing.set()
        self._news.set()
        await asyncio.wait([self._polling], timeout=LAST_WORD_S)
        self._polling.cancel()
        await asyncio.gather(self._polling, return_exceptions=True)

    def changed(self) -> None:
        """The status block has changed: write it soon."""
        self._news.set()

    # --- polling --------------------------------------------------------------------------

    async def _poll(self) -> None:
        retry_s = RETRY_FIRST_S
        while not self._closing.is_set():
            entry = self._entry
            client = AsyncModbusTcpClient(
                entry.host, port=entry.port, timeout=entry.lost_after_s, retries=0,
                reconnect_delay=0,
            )  # fmt: skip
            try:
                if not await client.connect():
                    raise ConnectionError("nobody answers there")
                await self._serve(client)
            except (_Refused, ModbusException, OSError) as error:
                if self._read_s is not None and self._lost_s is None:
                    retry_s = RETRY_FIRST_S
                self._lose(error)
            finally:
                client.close()
            await _first_of(self._closing, retry_s)
            retry_s = min(2 * retry_s, RETRY_MOST_S)

    async def _serve(self, client: AsyncModbusTcpClient) -> None:
        loop = asyncio.get_running_loop()
        entry = self._entry
        # What stands there decides in which order it may be changed.
        self._written = await self._read(client, entry.status_at, self._map.status_count)
        while True:
            began_s = loop.time()
            self._news.clear()
            commands = await self._read(client, entry.commands_at, self._map.command_count)
            age_s = 0.0 if self._read_s is None else began_s - self._read_s
            self._read_s = began_s
            self._return()
            self._polled(commands, age_s)
            await self._write(client)
            if self._closing.is_set():
                return
            await _first_of(self._news, began_s + entry.poll_ms / 1000 - loop.time())

    async def _read(self, client: AsyncModbusTcpClient, first: int, count: int) -> list[int]:
        answer = await client.read_holding_registers(
            first, count=count, device_id=self._entry.unit)
        if answer.isError() or len(answer.registers) != count:
            raise _Refused(f"it refuses to give {count} registers from {first} on")
        return list(answer.registers)

    async def _write(self, client: AsyncModbusTcpClient) -> None:
        new = self._status()
        for block in in_order(self._written, new, self._map):
            answer = await client.write_registers(
                self._entry.status_at, block, device_id=self._entry.unit)
            if answer.isError():
                raise _Refused(
                    f"it refuses to take {len(block)} registers from {self._entry.status_at} on")
            self._written = block

    # --- loss and return ------------------------------------------------------------------

    def _lose(self, error: Exception) -> None:
        if self._lost_s is None:
            self._lost_s = asyncio.get_running_loop().time()
            why = f"nothing came within {self._entry.lost_after_s:g} s"
            if not isinstance(error, ModbusIOException):
                why = str(error) or type(error).__name__
            self._report(Problem(
                f"the I/O block does not answer: {why}.",
                self._where,
                "See whether it runs, whether its cable is plugged in, and whether the cell "
                "file's addresses are right. It is tried again and again; what was taken goes on.",
            ))  # fmt: skip

    def _return(self) -> None:
        if self._lost_s is not None:
            away_s = asyncio.get_running_loop().time() - self._lost_s
            self._lost_s = None
            self._report(Problem(f"the I/O block answers again after {away_s:.0f} s.",
                                 self._where, "Nothing is to be done."))

    @property
    def why_down(self) -> str:
        """Why the block is not there, empty while it is."""
        if self._read_s is None:
            return "the I/O block has not answered yet"
        return "" if self._lost_s is None else "the I/O block does not answer"

    @property
    def _entry(self) -> ModbusEntry:
        return self._map.entry

    @property
    def _where(self) -> str:
        return f"the Modbus link to {self._entry.host} port {self._entry.port}"


class _Refused(Exception):
    """The block answers, and says no."""


def in_order(
    before: Sequence[int], new: list[int], register_map: RegisterMap
) -> list[list[int]]:
    """``new`` in up to three steps from ``before``: data, then states, then echoed numbers."""
    channels = range(register_map.entry.channels)
    echoes = {register_map.status(channel, ChannelStatus.ECHO) for channel in channels}
    echoes |= {Status.BUTTON_ECHO, Status.HOLD_CLEARED_ECHO, Status.HOLD_SEQUENCE,
               Status.HOLD_KIND}  # a request and its number become visible together
    states = {register_map.status(channel, ChannelStatus.STATE) for channel in channels}
    steps = [[before[at] if at in kept else now for at, now in enumerate(new)]
             for kept in (echoes | states, echoes)]
    return [block for block, _ in itertools.groupby([*steps, new])]


async def _first_of(event: asyncio.Event, seconds: float) -> None:
    """Wait for ``event``, at most so long."""
    waiting = asyncio.ensure_future(event.wait())
    try:
        await asyncio.wait([waiting], timeout=max(0.0, seconds))
    finally:
        waiting.cancel()
