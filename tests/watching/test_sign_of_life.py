"""What the service manager is told, over a real socket as systemd opens one (sd_notify(3))."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tablevoice.watching.sign_of_life import SignOfLife


@pytest.fixture
def manager(short_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as opened:
        opened.bind(str(short_path / "notify"))
        opened.settimeout(10.0)
        yield opened


def heard(manager: socket.socket) -> str:
    return manager.recv(4096).decode()


def test_each_word_of_the_protocol_arrives(manager: socket.socket) -> None:
    service = SignOfLife(manager.getsockname(), 10.0)
    service.ready()
    service.status("two\nlines")
    service.alive()
    service.ending()
    told = [heard(manager) for _ in range(4)]
    assert told == ["READY=1", "STATUS=two lines", "WATCHDOG=1", "STOPPING=1"]


def test_opening_asks_for_time_but_not_at_every_line(manager: socket.socket) -> None:
    service = SignOfLife(manager.getsockname())
    for n in range(100):
        service.starting(f"preparing lines: {n} of 100")
    service.ready()
    told = [heard(manager) for _ in range(3)]
    assert told == ["EXTEND_TIMEOUT_USEC=60000000", "STATUS=preparing lines: 0 of 100", "READY=1"]


def test_an_abstract_address_is_understood() -> None:
    name = f"tablevoice-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0{name}")
        manager.settimeout(10.0)
        SignOfLife(f"@{name}").ready()
        assert heard(manager) == "READY=1"


def test_a_sign_of_life_is_due_three_times_within_what_is_allowed() -> None:
    environment = {"NOTIFY_SOCKET": "/run/s", "WATCHDOG_USEC": "30000000",
                   "WATCHDOG_PID": str(os.getpid()), "PATH": "/bin"}  # fmt: skip
    assert SignOfLife.of(environment).ping_every_s == 10.0
    # Engines and guards that the table starts are not the service.
    assert environment == {"PATH": "/bin"}


@pytest.mark.parametrize(
    "watchdog",
    [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_USEC": "-3"},
     {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}],
)  # fmt: skip
def test_where_no_sign_of_life_is_wanted_of_this_process_none_is_sent(
    watchdog: dict[str, str],
) -> None:
    assert SignOfLife.of({"NOTIFY_SOCKET": "/run/s", **watchdog}).ping_every_s is None


def test_without_a_service_manager_nothing_happens() -> None:
    service = SignOfLife.of({})
    service.ready()
    service.alive()
    service.close()
    assert service.ping_every_s is None


def test_one_that_does_not_read_or_is_gone_holds_nobody_up(
    manager: socket.socket, short_path: Path
) -> None:
    service = SignOfLife(manager.getsockname())
    began_s = time.monotonic()
    for _ in range(5_000):
        service.alive()
    (short_path / "notify").unlink()
    service.alive()
    assert time.monotonic() - began_s < 5.0
    assert heard(manager) == "WATCHDOG=1"
