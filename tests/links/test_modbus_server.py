"""The server role with real peers: who is answered, who may write, what garbage does."""

from __future__ import annotations

import asyncio
import random
import socket
from contextlib import suppress
from pathlib import Path

import pytest

from tablevoice.errors import LinkUnavailable
from tablevoice.links.modbus_codes import Refusal, State
from tablevoice.links.modbus_map import ChannelStatus, Status
from tablevoice.links.modbus_server import MOST_CONNECTIONS
from tablevoice.model import Phrasebook
from tests.links.modbus_cells import free_port, small_map
from tests.links.modbus_peers import (
    LibmodbusPeer,
    Program,
    PymodbusClient,
    Refused,
    build_libmodbus_controller,
    ended,
    linked,
    opened,
    run,
)
from tests.links.paper_table import PaperTable, small_book


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    return small_book(tmp_path_factory.mktemp("book"))


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_libmodbus_controller(tmp_path_factory.mktemp("libmodbus"))


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


def test_what_waited_for_a_lost_link_is_not_said_late(book: Phrasebook) -> None:
    async def play() -> None:
        async with opened(book, lost_after_s=0.3) as (table, register_map):
            async with ended(PymodbusClient(register_map.entry.port).begin()) as peer:
                controller = Program(peer, register_map)
                await controller.begin()
            await asyncio.sleep(0.6)  # a line of "began" is worth 0.5 s
            async with ended(PymodbusClient(register_map.entry.port).begin()) as peer:
                again = Program(peer, register_map)
                await again.status()
                await again.send("began", order=412)
                assert again.state(await again.outcome()) == (State.REFUSED, Refusal.STALE)
                until_s = table.now_s + 0.35
                await again.status_when(lambda _: table.now_s > until_s)
                await again.send("began", order=412)
                assert again.state(await again.outcome()) == (State.DONE, Refusal.NONE)
            assert len(table.said) == 1

    run(play())


def test_health_is_told_whether_a_controller_is_there(book: Phrasebook) -> None:
    async def play() -> None:
        table = PaperTable(book)
        register_map = small_map(book, port=free_port(), lost_after_s=0.4)
        table.open()
        async with linked(table, register_map) as link:
            assert link.name == "modbus"
            assert "no controller" in link.why_down
            async with ended(PymodbusClient(register_map.entry.port).begin()) as peer:
                controller = Program(peer, register_map)
                await controller.begin()
                await controller.send("began", order=412)
                assert link.why_down == ""
            while not link.why_down:
                await asyncio.sleep(0.02)
            assert "is silent" in link.why_down

    run(play())


def test_a_port_that_is_taken_is_one_clear_error(book: Phrasebook) -> None:
    async def play() -> None:
        async with opened(book) as (_, register_map):
            with pytest.raises(LinkUnavailable, match="choose another port"):
                async with opened(book, port=register_map.entry.port):
                    pass

    run(play())
