"""Permit-off against a server that takes one frame of a packet and throws the rest away."""

from __future__ import annotations

import selectors
import socket
import struct
import time

from tablevoice.guard.clock import now_ns
from tablevoice.guard.controller import Controller
from tablevoice.guard.latch import Level
from tablevoice.guard.settings import ControllerSettings
from tests.guard.cell import MS, WAIT_S, PymodbusBlock


class Driven:
    """A controller's link driven by hand, as the loop does."""

    def __init__(self, port: int) -> None:
        self.selector = selectors.SelectSelector()
        self.link = Controller(
            ControllerSettings("127.0.0.1", port, 1, 0, 50 * MS), 40 * MS, self.selector
        )

    def turn(self, beat: bool = True) -> None:
        if self.selector.get_map():
            self.selector.select(0.001)
        self.link.service(now_ns())
        if beat:
            self.link.beat(now_ns())

    def up(self) -> bool:
        return self.link.link.up

    def waiting(self) -> bool:
        """Whether an answer is outstanding."""
        return self.link.link.busy

    def connect(self) -> None:
        until_s = time.monotonic() + WAIT_S
        while self.link.level(now_ns()) is not Level.CLOSED:
            assert time.monotonic() < until_s, "no link"
            self.turn()
            time.sleep(0.001)


def test_a_permit_off_behind_a_heartbeat_in_one_packet_arrives_at_pymodbus() -> None:
    with PymodbusBlock() as block:
        driven = Driven(block.port)
        driven.connect()
        for _ in range(20):
            mark = block.mark()
            driven.link.allow()
            until_s = time.monotonic() + WAIT_S
            while block.wait_for("permit", True, mark, within_s=0) is None:
                assert time.monotonic() < until_s
                driven.turn()
            while driven.waiting():
                driven.turn(beat=False)
            mark = block.mark()
            driven.link.allow()  # a beat is due now, and the stop opens in the same moment
            driven.link.beat(now_ns())
            assert driven.waiting()
            driven.link.drop(now_ns())
            until_s = time.monotonic() + WAIT_S
            while driven.link.dropped_to_confirmed_ns is None:
                assert time.monotonic() < until_s, "never confirmed"
                driven.turn(beat=False)
            driven.link.dropped_to_confirmed_ns = None
            assert block.wait_for("permit", False, mark) is not None
            assert driven.up(), "no reconnection was needed"
        driven.link.link.close()


def test_a_server_that_throws_the_second_frame_away_is_told_again() -> None:
    """The worst case for sure: of two frames only the first is answered."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        driven = Driven(listening.getsockname()[1])
        driven.turn()
        server, _ = listening.accept()
        server.settimeout(WAIT_S)
        with server:
            until_s = time.monotonic() + WAIT_S
            while not driven.waiting():
                assert time.monotonic() < until_s
                driven.turn()
            driven.link.drop(now_ns())
            data = b""
            while len(data) < 14 + 12:
                data += server.recv(100)
            beat, off = data[:14], data[14:]
            assert beat[7] == 15
            assert off[7:] == bytes.fromhex("05 00 00 00 00")
            server.sendall(beat[:4] + struct.pack(">H", 6) + beat[6:12])
            while driven.waiting():
                driven.turn(beat=False)
                try:
                    server.setblocking(False)
                    again = server.recv(100)
                except BlockingIOError:
                    continue
                assert again[7:] == off[7:], "permit-off, once more"
                assert again[:2] != off[:2]
                server.sendall(again)
            assert driven.link.dropped_to_confirmed_ns is not None
            assert driven.up()
            server.sendall(off)  # the first one's answer may come late: no harm
            driven.turn(beat=False)
            assert driven.up()
            driven.link.link.close()
