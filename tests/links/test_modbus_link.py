"""The Modbus link with real peers in both roles: a question, losses, strangers, garbage."""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import AsyncIterator, Awaitable, Coroutine
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.errors import LinkUnavailable
from tablevoice.links import messages
from tablevoice.links.modbus import ModbusLink
from tablevoice.links.modbus_client import in_order
from tablevoice.links.modbus_codes import Bit, HoldKind, How, Refusal, State
from tablevoice.links.modbus_map import ChannelStatus, Command, RegisterMap, Status
from tablevoice.links.modbus_server import MOST_CONNECTIONS
from tablevoice.model import Phrasebook
from tests.links.modbus_cells import free_port, small_map
from tests.links.modbus_peers import (
    LibmodbusPeer,
    Peer,
    Program,
    PymodbusBlock,
    PymodbusClient,
    Refused,
    build_libmodbus_controller,
    ended,
)
from tests.links.paper_table import PaperTable, small_book

Result = TypeVar("Result")

KINDS = ["pymodbus polls", "libmodbus polls", "pymodbus is polled", "libmodbus is polled"]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    return small_book(tmp_path_factory.mktemp("book"))


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_libmodbus_controller(tmp_path_factory.mktemp("libmodbus"))


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


# --- the server ---------------------------------------------------------------------------

def test_both_kinds_of_registers_show_the_same_and_write_and_read_in_one_request(
    book: Phrasebook, program: Path
) -> None:
    async def play() -> None:
        async with opened(book) as (_, register_map):
            peer = await LibmodbusPeer(program, "poll", register_map.entry.port).begin()
            controller = Program(peer, register_map)
            await controller.begin()
            first = register_map.entry.status_at
            held, inputs = await controller.status(), await peer.read_input(first, 32)
            assert held[: Status.ALIVE] == inputs[: Status.ALIVE]
            await controller.write_at(9, 3)
            # The answer to the request that wrote the sequence already echoes it.
            status = await peer.exchange(8, 1, first, 32)
            assert controller.of(status, ChannelStatus.ECHO) == 1
            assert controller.of(status, ChannelStatus.STATE) == State.TAKEN
            with pytest.raises(Refused, match="address"):
                await peer.read(99, 2)
            with pytest.raises(Refused, match="address"):
                await peer.write(first, [1])  # the table's own
            with pytest.raises(Refused, match="address"):
                await peer.write(39, [1, 1])
            await peer.end()

    run(play())


def exchanged(port: int, sent: bytes, want: int) -> bytes:
    """What the server sends back on a connection of its own, up to ``want`` bytes."""
    with socket.create_connection(("127.0.0.1", port), 10) as connection:
        connection.sendall(sent)
        got = b""
        while len(got) < want and (more := connection.recv(4096)):
            got += more
        return got


def test_frames_are_those_of_the_specification(book: Phrasebook) -> None:
    # MODBUS Application Protocol Specification V1.1b3, worked examples of functions 3, 16 and
    # of an exception (from memory), behind the header of the TCP/IP guide.
    written = bytes.fromhex("1501 0000 000b 11 10 0001 0002 04 000a 0102")
    taken = bytes.fromhex("1501 0000 0006 11 10 0001 0002")
    read = bytes.fromhex("1502 0000 0006 11 03 0001 0002")
    given_back = bytes.fromhex("1502 0000 0007 11 03 04 000a 0102")
    unknown = bytes.fromhex("1503 0000 0006 11 03 04a1 0001")
    refused = bytes.fromhex("1503 0000 0003 11 83 02")
    not_spoken = bytes.fromhex("1504 0000 0006 11 05 00ac ff00")
    no_function = bytes.fromhex("1504 0000 0003 11 85 01")

    async def play() -> None:
        async with opened(book) as (_, register_map):
            # All in one packet: each is answered, in order.
            got = await asyncio.to_thread(
                exchanged, register_map.entry.port, written + read + unknown + not_spoken,
                len(taken + given_back + refused + no_function))
            assert got == taken + given_back + refused + no_function

    run(play())


def test_whatever_comes_in_the_server_goes_on_serving(book: Phrasebook) -> None:
    """Random bytes, and well-formed frames of every function with random contents."""
    dice = random.Random(20)

    def spoil(port: int) -> None:
        for _ in range(150):
            with socket.create_connection(("127.0.0.1", port), 10) as connection:
                for _ in range(dice.randrange(1, 8)):
                    body = dice.randbytes(dice.randrange(0, 260))
                    if dice.random() < 0.7:
                        function = dice.choice([3, 4, 6, 16, 23, dice.randrange(256)])
                        frame = bytes([dice.randrange(256), function]) + body[:252]
                        body = dice.randbytes(2) + b"\0\0" + len(frame).to_bytes(2, "big") + frame
                    try:
                        connection.sendall(body)
                    except OSError:
                        break  # the server hung up: what it read was no frame
                connection.settimeout(5)
                with suppress(OSError):  # it may have hung up
                    connection.shutdown(socket.SHUT_WR)
                    while connection.recv(65_536):
                        pass

    async def play() -> None:
        async with opened(book, lost_after_s=0.3) as (_, register_map):
            await asyncio.to_thread(spoil, register_map.entry.port)
            async with ended(PymodbusClient(register_map.entry.port).begin()) as peer:
                controller = Program(peer, register_map)
                await controller.begin()
                controller.sequence = controller.of(await controller.status(), ChannelStatus.ECHO)
                await controller.send("clear")
                status = await controller.outcome()
                assert controller.state(status) == (State.DONE, Refusal.NONE)

    run(play())


def test_connections_that_nobody_ended_do_not_lock_the_controller_out(book: Phrasebook) -> None:
    async def play() -> None:
        async with opened(book) as (_, register_map):
            port = register_map.entry.port
            left = [await asyncio.open_connection("127.0.0.1", port)
                    for _ in range(MOST_CONNECTIONS + 3)]
            async with ended(PymodbusClient(port).begin()) as peer:
                assert len(await Program(peer, register_map).status()) == register_map.status_count
            assert await left[0][0].read() == b""  # the one that was silent the longest
            for _, writer in left:
                writer.close()

    run(play())


def test_a_peer_that_is_not_named_is_disconnected_and_reported_once(book: Phrasebook) -> None:
    async def play() -> None:
        async with opened(book, peers=["127.0.0.2"]) as (table, register_map):
            port = register_map.entry.port
            for _ in range(3):
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
                assert await reader.read() == b""
                writer.close()
            async with ended(PymodbusClient(port, "127.0.0.2").begin()) as peer:
                await Program(peer, register_map).begin()
            assert [what for what in table.problems() if "127.0.0.1" in what] == table.problems()
            assert len(table.problems()) == 1

    run(play())


def test_one_controller_writes_until_it_is_silent_and_others_may_read(book: Phrasebook) -> None:
    async def play() -> None:
        peers = ["127.0.0.2", "127.0.0.3"]
        async with opened(book, peers=peers, lost_after_s=0.4) as (table, register_map):
            port = register_map.entry.port
            async with (
                ended(PymodbusClient(port, "127.0.0.2").begin()) as owner,
                ended(PymodbusClient(port, "127.0.0.3").begin()) as other,
            ):
                await Program(owner, register_map).begin()
                assert len(await Program(other, register_map).status()) == 32
                with pytest.raises(Refused, match="exception 6"):  # server device busy
                    await other.write(0, [1])
                await table.until(lambda: any("has not been heard of" in what
                                              for what in table.problems()))
                await other.write(0, [0])
                with pytest.raises(Refused, match="exception 6"):
                    await owner.write(0, [1])
            reported = " ".join(table.problems())
            assert "127.0.0.3 may not write: 127.0.0.2 is the controller" in reported
            assert "the controller at 127.0.0.3 is back" in reported

    run(play())


def test_a_port_that_is_taken_is_one_clear_error(book: Phrasebook) -> None:
    async def play() -> None:
        async with opened(book) as (_, register_map):
            with pytest.raises(LinkUnavailable, match="choose another port"):
                async with opened(book, port=register_map.entry.port):
                    pass

    run(play())


# --- the client ---------------------------------------------------------------------------

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
