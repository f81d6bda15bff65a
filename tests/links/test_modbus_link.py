"""The Modbus link with real peers in both roles: a question, a hold, losses, restarts."""

from __future__ import annotations

from collections.abc import Awaitable
from dataclasses import replace
from pathlib import Path

import pytest

from tablevoice.links import messages
from tablevoice.links.modbus_codes import Bit, HoldKind, How, Refusal, State
from tablevoice.links.modbus_map import ChannelStatus, Command, Status
from tablevoice.model import Phrasebook
from tests.links.modbus_cells import free_port, small_map
from tests.links.modbus_peers import (
    LibmodbusPeer,
    Peer,
    Program,
    PymodbusBlock,
    PymodbusClient,
    build_libmodbus_controller,
    ended,
    linked,
    opened,
    run,
)
from tests.links.paper_table import PaperTable, small_book

KINDS = ["pymodbus polls", "libmodbus polls", "pymodbus is polled", "libmodbus is polled"]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    return small_book(tmp_path_factory.mktemp("book"))


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_libmodbus_controller(tmp_path_factory.mktemp("libmodbus"))


def role_of(kind: str) -> str:
    return "client" if kind.endswith("is polled") else "server"


def peer_of(kind: str, program: Path, port: int) -> Awaitable[Peer]:
    if kind == "pymodbus polls":
        return PymodbusClient(port).begin()
    if kind == "pymodbus is polled":
        return PymodbusBlock(port).begin()
    return LibmodbusPeer(program, "poll" if kind == "libmodbus polls" else "block", port).begin()


@pytest.mark.parametrize("kind", KINDS)
def test_a_line_a_question_a_button_and_a_hold(kind: str, book: Phrasebook, program: Path) -> None:
    async def play() -> None:
        async with (
            opened(book, role=role_of(kind), poll_ms=20) as (table, register_map),
            ended(peer_of(kind, program, register_map.entry.port)) as peer,
        ):
            controller = Program(peer, register_map)
            await controller.begin()
            await controller.send("pick", item=5, count=2)
            assert controller.state(await controller.outcome()) == (State.DONE, Refusal.NONE)
            assert table.said[0] in ("The mug, 2 of it.", "Take the mug.")

            await controller.send("size")
            await controller.status_when(lambda status: bool(status[Status.BITS] & Bit.LISTENING))
            table.hear("carton")
            status = await controller.outcome()
            assert controller.state(status) == (State.ANSWERED, Refusal.NONE)
            assert controller.of(status, ChannelStatus.ANSWER) == 11
            assert controller.of(status, ChannelStatus.HOW) == How.VOICE
            assert controller.of(status, ChannelStatus.CERTAINTY) == 9300

            await controller.send("size")
            await controller.status_when(lambda status: bool(status[Status.BITS] & Bit.LISTENING))
            await controller.write_at(Command.BUTTON, 4)
            await controller.write_at(Command.BUTTON_SEQUENCE, 1)
            status = await controller.outcome()
            assert controller.of(status, ChannelStatus.ANSWER) == 4
            assert controller.of(status, ChannelStatus.HOW) == How.BUTTON

            table.hear("pause")
            status = await controller.status_when(lambda status: status[Status.HOLD_KIND] != 0)
            assert status[Status.HOLD_KIND] == HoldKind.PAUSE
            await controller.write_at(Command.HOLD_ACKNOWLEDGED, status[Status.HOLD_SEQUENCE])
            await controller.status_when(lambda status: status[Status.HOLD_KIND] == 0)
            await controller.send("size")
            status = await controller.outcome()
            assert controller.state(status) == (State.REFUSED, Refusal.HELD)
            await controller.write_at(Command.HOLD_CLEARED, status[Status.HOLD_SEQUENCE])
            status = await controller.status_when(
                lambda status: status[Status.HOLD_CLEARED_ECHO] != 0)
            assert status[Status.HOLD_CLEARED_REFUSAL] == Refusal.MAY_NOT
            assert table.table.hold is not None

    run(play())


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_taken_before_a_loss_is_answered_when_the_link_is_back(
    kind: str, book: Phrasebook, program: Path
) -> None:
    async def play() -> None:
        settings = {"role": role_of(kind), "poll_ms": 20, "lost_after_s": 0.3}
        async with opened(book, **settings) as (table, register_map):
            async with ended(peer_of(kind, program, register_map.entry.port)) as peer:
                controller = Program(peer, register_map)
                await controller.begin()
                await controller.send("size")
                await controller.status_when(
                    lambda status: bool(status[Status.BITS] & Bit.LISTENING))
            lost = ("has not been heard", "does not answer")
            await table.until(lambda: any(part in what for what in table.problems()
                                          for part in lost))
            table.hear("pallet")
            async with ended(peer_of(kind, program, register_map.entry.port)) as peer:
                again = Program(peer, register_map)
                again.sequence = controller.sequence
                if role_of(kind) == "client":
                    # A block that lost its power holds nothing; its controller writes the
                    # event that stands, again.
                    again.sequence -= 1
                    await again.send("size")
                status = await again.outcome()
                assert again.state(status) == (State.ANSWERED, Refusal.NONE)
                assert again.of(status, ChannelStatus.ANSWER) == 4
                await table.until(lambda: any("again after" in what or "is back" in what
                                              for what in table.problems()))
                # Each loss once, each return once (a block that is not there yet is one more).
                told = ["back" if "again after" in what or "is back" in what else "lost"
                        for what in table.problems()]
                assert told == ["lost", "back"] * (len(told) // 2)
            assert len([line for line in table.said if line in SIZE_LINES]) == 1

    run(play())


SIZE_LINES = ("What shall it go in?", "Which one?")


@pytest.mark.parametrize("kind", KINDS)
def test_a_table_that_starts_anew_says_nothing_twice_and_tells_what_it_does_not_know(
    kind: str, book: Phrasebook, program: Path
) -> None:
    async def play() -> None:
        port = free_port()
        settings = {"role": role_of(kind), "poll_ms": 20, "port": port}
        async with opened(book, **settings) as (first, register_map):
            if role_of(kind) == "server":
                async with ended(peer_of(kind, program, port)) as peer:
                    controller = Program(peer, register_map)
                    await controller.begin()
                    await controller.send("done")
                    await controller.outcome()
        block: Peer | None = None
        if role_of(kind) == "client":
            block = await peer_of(kind, program, port)
            controller = Program(block, register_map)
            controller.sequence = 6
            await controller.send("done")  # while no table runs
        async with opened(book, **settings) as (second, register_map):
            peer = block or await peer_of(kind, program, port)
            again = Program(peer, register_map)
            again.sequence = controller.sequence
            if block is None:  # a controller that polls writes its block in every cycle
                again.sequence -= 1
                await again.send("done")
            assert again.state(await again.outcome()) == (State.REFUSED, Refusal.STARTED_ANEW)
            assert second.said == []
            await again.send("clear")
            assert again.state(await again.outcome()) == (State.DONE, Refusal.NONE)
            assert len(second.said) == 1
            await peer.end()
        assert len(first.said) == (role_of(kind) == "server")

    run(play())


def test_what_a_hold_from_before_the_link_came_up_asked_for_is_shown(book: Phrasebook) -> None:
    async def play() -> None:
        table, register_map = PaperTable(book), small_map(book, port=free_port())
        table.open()
        table.hear("stop")
        async with (
            linked(table, register_map),
            ended(PymodbusClient(register_map.entry.port).begin()) as peer,
        ):
            status = await Program(peer, register_map).status()
            assert status[Status.HOLD_KIND] == HoldKind.STOP

    run(play())


def test_with_another_phrasebook_numbers_stay_what_the_cell_file_makes_them(
    book: Phrasebook,
) -> None:
    async def play() -> None:
        async with (
            opened(book) as (table, register_map),
            ended(PymodbusClient(register_map.entry.port).begin()) as peer,
        ):
            controller = Program(peer, register_map)
            await controller.begin()
            events = {name: event for name, event in book.events.items() if name != "done"}
            table.book = replace(book, events={"anew": book.events["done"], **events})
            table.audience(messages.PhrasebookChanged(
                at_s=1.0, title=book.title, events=tuple(table.book.events)))
            await controller.send("done")
            status = await controller.outcome()
            assert controller.state(status) == (State.REFUSED, Refusal.UNKNOWN_EVENT)
            await controller.send("clear")
            assert controller.state(await controller.outcome())[0] == State.DONE
            assert table.said[0] in ("Keep clear.", "Hands back.")

    run(play())
