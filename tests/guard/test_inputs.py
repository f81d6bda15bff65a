"""Inputs other than Modbus: simulated, serial, and libraries or devices that are not there."""

from __future__ import annotations

import fcntl
import os
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tablevoice.guard import contacts
from tablevoice.guard.clock import now_ns
from tablevoice.guard.latch import Level
from tablevoice.guard.settings import SerialInput
from tests.guard.cell import (
    MS,
    WAIT_S,
    Block,
    GuardProcess,
    arm,
    one_block_file,
)


@pytest.mark.parametrize("way", ["path", "port"])
def test_a_simulated_input_has_to_be_kept_alive(
    pymodbus_block: Block, short_path: Path, way: str
) -> None:
    block = pymodbus_block
    to: Any
    if way == "path":
        sending = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        to = str(short_path / "pretend.sock")
        source, token = f"address: {to}", b""
    else:
        sending = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            to = probe.getsockname()
        source = f'address: "127.0.0.1:{to[1]}", token: "sixteen letters ok"'
        token = b" sixteen letters ok"
    more = f"  pretend: {{kind: simulated, {source}}}"
    ending, words = threading.Event(), [b"closed" + token]

    def refresh() -> None:
        while not ending.wait(0.03):
            sending.sendto(words[0], to)

    path = one_block_file(short_path, block.port, more_inputs=more)
    with sending, GuardProcess(path) as guard:

        def level(wanted: str) -> Callable[[dict[str, Any]], bool]:
            return lambda status: status["inputs"]["pretend"]["level"] == wanted

        guard.wait_status(level("unreadable"))
        thread = threading.Thread(target=refresh)
        thread.start()
        try:
            arm(block)
            for word, expected in ((b"open" + token, "open"), (b"closed wrong", "nonsense")):
                mark = block.mark()
                words[0] = word
                assert block.wait_for("permit", False, mark) is not None
                guard.wait_status(level(expected))
                words[0] = b"closed" + token
                arm(block)
            mark = block.mark()
        finally:
            ending.set()
            thread.join()
        assert block.wait_for("permit", False, mark) is not None
        assert guard.wait_status(level("late"))["proven"] is False
        assert "pretend is simulated" in guard.wait_state("tripped")["why_not_proven"]


def test_a_serial_line_that_is_none_is_refused(short_path: Path) -> None:
    """A pseudo terminal has no control lines: its driver refuses, and so does the guard."""
    pytest.importorskip("serial", reason="needs pyserial: pip install 'tablevoice[guard-inputs]'")
    controlling, terminal = os.openpty()
    line = f"  rail: {{kind: serial, device: {os.ttyname(terminal)}, line: dsr}}"
    guard = GuardProcess(one_block_file(short_path, 1, more_inputs=line))
    try:
        _, said = guard.process.communicate(timeout=WAIT_S)
    finally:
        guard.stop()
        os.close(controlling)
        os.close(terminal)
    assert guard.process.returncode == 2
    assert "cannot be watched" in said
    assert "Traceback" not in said


class Locked:
    """A device that is held by one opener only, as a serial port or a grabbed key is."""

    def __init__(self, place: Path) -> None:
        self._broken = place.with_name("broken")
        self._file = place.open("w")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._file.close()
            raise

    def closed(self) -> bool:
        if self._broken.exists():
            raise OSError("unplugged")
        return True

    def close(self) -> None:
        self._file.close()


def test_a_device_that_was_lost_is_opened_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its old opening must be given back first: it is exclusive."""
    source = SerialInput("a port", "dsr")
    monkeypatch.setattr(contacts, "SerialContact", lambda _source: Locked(tmp_path / "port"))
    watched = contacts.WatchedContact(source, as_reset=False)

    def wait_for(wanted: Level) -> None:
        until_s = time.monotonic() + WAIT_S
        while watched.level(now_ns(), 5_000 * MS) is not wanted:
            assert time.monotonic() < until_s, wanted
            time.sleep(0.01)

    wait_for(Level.CLOSED)
    (tmp_path / "broken").touch()
    wait_for(Level.UNREADABLE)
    (tmp_path / "broken").unlink()
    wait_for(Level.CLOSED)


@pytest.mark.parametrize(
    ("source", "package"),
    [
        ("kind: gpio, chip: /dev/gpiochip0, line: 3, closed_when: low", "gpiod"),
        ("kind: serial, device: /dev/ttyNONE, line: cts", "serial"),
        ("kind: key, device: /dev/input/none, key: KEY_SPACE", "evdev"),
    ],
)
def test_a_missing_library_or_device_is_told_at_the_start(
    short_path: Path, source: str, package: str
) -> None:
    path = one_block_file(short_path, 1, more_inputs=f"  wired: {{{source}}}")
    guard = GuardProcess(path)
    try:
        _, said = guard.process.communicate(timeout=WAIT_S)
    finally:
        guard.stop()
    assert guard.process.returncode == 2
    assert "Traceback" not in said
    device = source.split(",")[1].split(": ")[1]
    assert (package in said) or (device in said)
