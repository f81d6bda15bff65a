"""The talking half's link to the stop guard, against real sockets and the real guard."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.demo.guarded_cell import Contacts, GuardedCell
from tablevoice.errors import FileRefused
from tablevoice.links.stop_guard import SILENT, StopGuardLink, read_view, status_address
from tablevoice.model import GuardView

STATUS = {
    "v": 1, "type": "status", "table": "t", "state": "permitted", "permit": True, "why": "",
    "causes": [], "proven": True, "why_not_proven": "", "inputs": {}, "reset": "rest",
}  # fmt: skip


def line(**changed: object) -> bytes:
    return json.dumps({**STATUS, **changed}).encode()


def test_a_status_is_read() -> None:
    assert read_view(line()) == GuardView("permitted", permit=True, proven=True)
    tripped = read_view(line(state="tripped", permit=False, why="Stopped.", causes=["stop"]))
    assert tripped == GuardView("tripped", False, True, why="Stopped.", causes=("stop",))
    assert read_view(b'{"v": 1, "type": "cautions", "cautions": []}') is None


@pytest.mark.parametrize(
    "bad",
    [
        b"", b"no json", b"[]", b"null", line(v=2), line(permit="yes", state=3), line(causes=None),
        json.dumps({"type": "status", "v": 1}).encode(), b"[" * 100_000, line(permit=1),
        line(permit=True, state="tripped"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_no_permit(bad: bytes) -> None:
    view = read_view(bad)
    assert view is not None
    assert not view.permit


@given(st.binary(max_size=300))
def test_no_bytes_raise_or_give_a_permit(data: bytes) -> None:
    view = read_view(data)
    assert view is None or not view.permit


def test_the_address_is_that_of_the_guard_file(tmp_path: Path) -> None:
    file = tmp_path / "guard.yaml"
    file.write_text("format: 1\nstate: there\n", encoding="utf-8")
    assert status_address(file) == str(tmp_path / "there" / "status.sock")
    file.write_text("format: 1\nstatus: 127.0.0.1:4712\n", encoding="utf-8")
    assert status_address(file) == "127.0.0.1:4712"
    file.write_text("- nothing\n", encoding="utf-8")
    with pytest.raises(FileRefused):
        status_address(file)


def next_view(views: queue.Queue[GuardView], state: str) -> GuardView:
    while True:
        view = views.get(timeout=15.0)
        if view.state == state:
            return view


def test_a_silent_peer_counts_as_silent_and_is_tried_again() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        views: queue.Queue[GuardView] = queue.Queue()
        with StopGuardLink(f"127.0.0.1:{port}", views.put):
            peer, _ = server.accept()
            peer.sendall(line() + b"\n")
            assert next_view(views, "permitted").permit
            assert next_view(views, "silent") == SILENT  # it stays connected and says nothing
            peer.close()
            again, _ = server.accept()
            with again:
                again.sendall(line() + b"\n")
                assert next_view(views, "permitted").permit


def test_a_wish_to_hold_waits_for_the_guard_to_be_there() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    views: queue.Queue[GuardView] = queue.Queue()
    with StopGuardLink(f"127.0.0.1:{port}", views.put) as link:
        assert next_view(views, "silent") == SILENT
        link.ask_hold("pause")
        with socket.create_server(("127.0.0.1", port)) as server:
            peer, _ = server.accept()
            with peer:
                peer.settimeout(10.0)
                assert json.loads(peer.recv(1000)) == {"hold": "pause"}


@pytest.fixture(scope="module")
def contacts() -> Iterator[tuple[Contacts, int]]:
    with GuardedCell() as bench, Contacts(bench) as hands:
        (guard,) = subprocess.run(
            ["pgrep", "-f", f"tablevoice.guard {bench.guard_file}"],
            capture_output=True, text=True, check=True,
        ).stdout.split()[:1]  # fmt: skip
        yield hands, int(guard)


def test_the_real_guard_trips_holds_and_is_reset_only_at_the_machine(
    contacts: tuple[Contacts, int],
) -> None:
    hands, _ = contacts
    assert hands.now().permit
    view, reaction_ms = hands.press_stop()
    assert (view.state, view.permit) == ("tripped", False)
    assert 0.0 < reaction_ms < 1000.0
    assert hands.release_and_reset().state == "permitted"
    held = hands.ask_hold("pause")
    assert (held.state, held.causes) == ("held", ("asked: pause",))
    assert hands.release_and_reset().permit


def test_a_frozen_guard_is_seen_as_silent_and_its_waking_as_a_trip(
    contacts: tuple[Contacts, int],
) -> None:
    hands, guard = contacts
    os.kill(guard, signal.SIGSTOP)
    try:
        assert not hands.until_not_permitted().permit
    finally:
        os.kill(guard, signal.SIGCONT)
    assert hands.release_and_reset().permit


def test_the_link_shares_no_code_with_the_guard() -> None:
    done = subprocess.run(
        [
            sys.executable, "-c",
            "import sys, tablevoice.links.stop_guard;"
            "print([name for name in sys.modules if name.startswith('tablevoice.guard')])",
        ],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


def test_closing_does_not_wait_for_a_guard_that_is_gone() -> None:
    ended = threading.Event()
    with contextlib.ExitStack() as stack:
        stack.enter_context(StopGuardLink("127.0.0.1:1", lambda view: ended.set()))
        assert ended.wait(10.0)
