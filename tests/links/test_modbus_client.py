"""The client role with real blocks: losses, what is written in which order."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.links.modbus_client import in_order
from tablevoice.links.modbus_map import ChannelStatus, Status
from tablevoice.model import Phrasebook
from tests.links.modbus_cells import free_port, small_map
from tests.links.modbus_peers import (
    LibmodbusPeer,
    Program,
    PymodbusBlock,
    build_libmodbus_controller,
    ended,
    opened,
    run,
)
from tests.links.paper_table import small_book


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    return small_book(tmp_path_factory.mktemp("book"))


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_libmodbus_controller(tmp_path_factory.mktemp("libmodbus"))


def test_a_block_without_these_registers_is_reported_once(book: Phrasebook) -> None:
    async def play() -> None:
        settings = {"role": "client", "poll_ms": 20, "commands_at": 300, "port": free_port()}
        async with (
            opened(book, **settings) as (table, register_map),
            ended(PymodbusBlock(register_map.entry.port).begin()),
        ):
            await table.until(lambda: any("refuses" in what for what in table.problems())
                              or any("does not answer" in what for what in table.problems()))
            await asyncio.sleep(0.8)  # two or three tries more
            assert len(table.problems()) == 1

    run(play())


async def alive_after(controller: Program, before: int) -> int:
    """The alive counter, once it stands higher."""
    status = await controller.status_when(lambda status: status[Status.ALIVE] > before)
    return status[Status.ALIVE]


def test_the_alive_counter_goes_on_and_begins_again_after_a_loss(
    book: Phrasebook, program: Path
) -> None:
    async def play() -> None:
        settings = {"role": "client", "poll_ms": 20, "lost_after_s": 0.3}
        async with opened(book, **settings) as (_, register_map):
            seen = 0
            for _ in range(2):
                async with ended(LibmodbusPeer(
                        program, "block", register_map.entry.port).begin()) as peer:
                    controller = Program(peer, register_map)
                    for _ in range(3):
                        seen = await alive_after(controller, seen)

    run(play())


REGISTER = st.integers(0, 0xFFFF)


@given(data=st.data())
def test_an_echo_becomes_visible_last_and_a_state_before_it(
    data: st.DataObject, book: Phrasebook
) -> None:
    register_map = small_map(book)
    size = register_map.status_count
    before = data.draw(st.lists(REGISTER, min_size=size, max_size=size))
    new = data.draw(st.lists(REGISTER, min_size=size, max_size=size))
    states = {register_map.status(channel, ChannelStatus.STATE) for channel in (0, 1)}
    echoes = {register_map.status(channel, ChannelStatus.ECHO) for channel in (0, 1)}
    echoes |= {Status.BUTTON_ECHO, Status.HOLD_CLEARED_ECHO, Status.HOLD_SEQUENCE,
               Status.HOLD_KIND}
    steps = [before, *in_order(before, new, register_map)]
    assert steps[-1] == new
    order: list[int] = []
    for last, step in pairwise(steps):
        changed = {at for at in range(size) if step[at] != last[at]}
        kinds = {2 if at in echoes else 1 if at in states else 0 for at in changed}
        assert len(kinds) <= 1
        order += kinds
    assert order == sorted(order)
