"""How long an event takes over the Modbus link until it is taken, in both roles.

As a client the table sees it at its next poll, so the time is told as a ratio to the polling
period: half a period on the average and one at most would be ideal. As a server it is taken
within the request that writes it; that is told against the same request with nothing new in it.
The controller is pymodbus on the same loop, over real sockets.
"""

from __future__ import annotations

import asyncio
import random
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from tablevoice.links.modbus import ModbusLink
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus
from tests.links.modbus_cells import free_port, small_map
from tests.links.modbus_peers import Program, PymodbusBlock, PymodbusClient
from tests.links.paper_table import PaperTable, small_book

EVENTS = 200
POLL_MS = (20, 50, 100)
UNKNOWN_EVENT = 1
"""Refused at once, so that no line has to end before the next one."""
RATIO_GOAL = 1.5
"""p95 of the time, in polling periods."""


def measure() -> list[dict[str, Any]]:
    return [*(asyncio.run(_as_client(poll_ms)) for poll_ms in POLL_MS), asyncio.run(_as_server())]


async def _as_client(poll_ms: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        book = small_book(Path(folder))
    register_map = small_map(book, role="client", port=free_port(), poll_ms=poll_ms)
    table = PaperTable(book)
    table.open()
    block = await PymodbusBlock(register_map.entry.port).begin()
    took_ms = []
    dice = random.Random(1)
    async with ModbusLink(register_map.entry, table) as link:
        table.audience.join(link.told)
        program = Program(block, register_map)
        await program.begin()
        echo = register_map.entry.status_at + register_map.status(0, ChannelStatus.ECHO)
        first = register_map.command(0, ChannelCommand.SEQUENCE)
        for sequence in range(1, EVENTS + 1):
            await asyncio.sleep(dice.random() * poll_ms / 1000)  # not in step with the polls
            began_s = time.perf_counter()
            await program.write_at(first, sequence, UNKNOWN_EVENT)
            while block.registers[echo] != sequence:
                await asyncio.sleep(0.0005)
            took_ms.append(1000 * (time.perf_counter() - began_s))
    table.close()
    await block.end()
    median, p95 = statistics.median(took_ms), statistics.quantiles(took_ms, n=20)[-1]
    return {
        "role": "client", "poll_ms": poll_ms, "n": EVENTS, "median_ms": median, "p95_ms": p95,
        "median/poll": median / poll_ms, "p95/poll": p95 / poll_ms,
        "goal": f"p95 ≤ {RATIO_GOAL} polls", "met": p95 / poll_ms <= RATIO_GOAL,
    }  # fmt: skip


async def _as_server() -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        book = small_book(Path(folder))
    register_map = small_map(book, port=free_port())
    table = PaperTable(book)
    table.open()
    async with ModbusLink(register_map.entry, table) as link:
        table.audience.join(link.told)
        client = await PymodbusClient(register_map.entry.port).begin()
        program = Program(client, register_map)
        await program.begin()
        first = register_map.command(0, ChannelCommand.SEQUENCE)
        took_ms: dict[bool, list[float]] = {True: [], False: []}
        for sequence in range(1, EVENTS + 1):
            for new in (True, False):  # the second time it is the same event
                began_s = time.perf_counter()
                await program.write_at(first, sequence, UNKNOWN_EVENT)
                took_ms[new].append(1000 * (time.perf_counter() - began_s))
        assert program.of(await program.status(), ChannelStatus.ECHO) == EVENTS
        await client.end()
    table.close()
    median, plain = statistics.median(took_ms[True]), statistics.median(took_ms[False])
    return {
        "role": "server", "poll_ms": "", "n": EVENTS, "median_ms": median,
        "p95_ms": statistics.quantiles(took_ms[True], n=20)[-1],
        "median/nothing new": median / plain,
    }  # fmt: skip
