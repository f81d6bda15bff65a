"""A whole live table under a stand-in for the service manager: alive, hung, frozen, ended.

Real processes and a real sound path; the service manager is a socket as systemd opens one.
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, timezone
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tablevoice.history import History
from tablevoice.model import Clip, Heard, Hypothesis, Match, Verdict
from tests.test_live_session import BOOK, CELL, RunningTable, event
from tests.watching.test_metrics import read

ALLOWED_S = 3.0
"""Of silence, by the stand-in: a sign of life is due every second."""

OPEN_WITHIN_S = 150.0
"""On a computer that others keep busy, too."""


class Manager:
    """What a service told: each line with its time."""

    def __init__(self, folder: Path) -> None:
        self.told: list[tuple[float, str]] = []
        self._news = threading.Condition()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(folder / "notify"))
        self.environment = {
            "NOTIFY_SOCKET": str(folder / "notify"),
            "WATCHDOG_USEC": f"{round(ALLOWED_S * 1e6)}",
        }
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while (line := self._socket.recv(4096)) != b"enough":
            with self._news:
                self.told += [(time.monotonic(), one) for one in line.decode().splitlines()]
                self._news.notify_all()

    def wait_for(self, line: str, within_s: float = OPEN_WITHIN_S, *, since: int = 0) -> float:
        """When that line came, counted from the one of number ``since`` on."""
        def came() -> float | None:
            return next((at_s for at_s, one in self.told[since:] if one.startswith(line)), None)

        with self._news:
            assert self._news.wait_for(lambda: came() is not None, within_s), (line, self.told)
            at_s = came()
        assert at_s is not None
        return at_s

    def alive_between(self, from_s: float, to_s: float) -> list[float]:
        with self._news:
            return [at for at, line in self.told if line == "WATCHDOG=1" and from_s <= at <= to_s]

    def is_silent_for(self, seconds: float) -> bool:
        """Whether no sign of life comes for so long."""
        began_s = time.monotonic()
        time.sleep(seconds)
        return not self.alive_between(began_s, time.monotonic())

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as last:
            last.sendto(b"enough", self._socket.getsockname())
        self._thread.join(5.0)
        self._socket.close()


class WatchedTable(RunningTable):
    """A table in ``folder`` under a manager; its log is JSON."""

    def __init__(self, folder: Path, environment: dict[str, str], module: str, more: str) -> None:
        self.folder, self.records = folder, folder / "records"
        (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
        self.cell = folder / "cell.yaml"
        self.cell.write_text(f"{CELL}health: {{file: health.json, every_s: 0.5}}\n{more}")
        self.process = subprocess.Popen(
            [sys.executable, "-m", module, "run", str(self.cell), "--log", "json"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=environment,
        )  # fmt: skip
        self._follow()

    def health(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder / "health.json").read_text("utf-8"))
        return found

    def until_health(self, fits: Callable[[dict[str, Any]], bool], within_s: float = 20.0) -> None:
        end_s = time.monotonic() + within_s
        while not fits(self.health()):
            assert time.monotonic() < end_s, self.health()
            time.sleep(0.05)

    def log(self) -> list[dict[str, Any]]:
        """Every line on standard error; each of them must be JSON."""
        return [json.loads(line) for line in tuple(self.complaints)]

    def asked_for_health(self) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "tablevoice", "health", str(self.cell)],
            capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.fixture
def manager(short_path: Path) -> Iterator[Manager]:
    opened = Manager(short_path)
    yield opened
    opened.close()


@pytest.fixture
def start(
    pulse_environment: dict[str, str], manager: Manager, tmp_path: Path
) -> Iterator[Callable[..., WatchedTable]]:
    running: list[WatchedTable] = []

    def started(module: str = "tablevoice", more: str = "") -> WatchedTable:
        environment = {**pulse_environment, **manager.environment}
        running.append(WatchedTable(tmp_path, environment, module, more))
        return running[-1]

    yield started
    for table in running:
        print(b"".join(table.complaints).decode(errors="replace"))
        table.process.send_signal(signal.SIGCONT)
        table.process.kill()
        table.process.wait()


def test_a_table_shows_its_life_from_ready_to_its_end(
    start: Callable[..., WatchedTable], manager: Manager
) -> None:
    port = free_port()
    table = start(more=f"metrics: {{port: {port}}}\n")
    ready_s = manager.wait_for("READY=1")
    table.wait_for_type("ready", OPEN_WITHIN_S)
    table.send(event("e1", "hello"))
    table.wait_for_type("done")
    time.sleep(max(0.0, ready_s + 6.0 - time.monotonic()))
    alive_s = [ready_s, *manager.alive_between(ready_s, ready_s + 6.0)]
    gaps_s = [later - earlier for earlier, later in itertools.pairwise(alive_s)]
    assert len(gaps_s) >= 4
    assert max(gaps_s) < ALLOWED_S / 2
    table.until_health(lambda found: found["verdict"] == "ok")
    told = table.asked_for_health()
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.startswith("OK: looped table")
    figures = read(f"http://127.0.0.1:{port}/metrics")
    assert figures["tablevoice_events_total{event=hello}"] == 1
    assert figures["tablevoice_said_total{outcome=said}"] == 1
    assert figures["tablevoice_health{verdict=ok}"] == 1

    table.process.send_signal(signal.SIGSTOP)
    try:
        frozen_s = time.monotonic()
        assert manager.is_silent_for(3.9)
        stale = table.asked_for_health()
        assert stale.returncode == 2
        assert stale.stdout.startswith("STALE: looped table")
    finally:
        table.process.send_signal(signal.SIGCONT)
    manager.wait_for("WATCHDOG=1", since=len(manager.told))
    assert not manager.alive_between(frozen_s + 0.1, frozen_s + 3.9)
    table.until_health(lambda found: found["verdict"] == "ok")

    table.process.send_signal(signal.SIGTERM)
    table.wait_for_type("closed")
    manager.wait_for("STOPPING=1")
    assert table.process.wait(30) == 0
    closed = table.asked_for_health()
    assert closed.returncode == 2
    assert closed.stdout.startswith("CLOSED: looped table")
    names = [row["event"] for row in table.log()]
    for name in ("caution", "ready", "health", "event", "line", "done", "closed"):
        assert name in names, names
    assert "Good morning" not in str(table.log())


def test_a_part_that_hangs_ends_the_signs_of_life_until_it_goes_round_again(
    start: Callable[..., WatchedTable], manager: Manager, tmp_path: Path
) -> None:
    """The same table: its ear, its record and its loop hang one after the other."""
    due_s, old = clip_of_yesterday(tmp_path / "history.sqlite", too_old_in_s=6.0)
    table = start(module="tests.watching.altered_table")
    manager.wait_for("WATCHDOG=1")
    table.wait_for_type("ready")
    for part, hung in (("ear", "recogniser"), ("record", "history"), ("loop", "loop")):
        before = len(manager.told)
        hang = tmp_path / f"hang_{part}"
        hang.touch()
        table.send(event(f"before {part}", "hello"))
        manager.wait_for("STATUS=no sign of life", since=before)
        assert manager.is_silent_for(2.0 * ALLOWED_S / 3.0)
        if part != "loop":  # the others leave the table able to speak
            table.wait_for_type("done")
        table.until_health(partial(is_unwell, hung))
        hang.unlink()
        manager.wait_for("WATCHDOG=1", since=len(manager.told))
    table.wait_for(lambda row: row["type"] == "done" and row["id"] == "before loop")
    whys = [row["why"] for row in table.log() if row["event"] == "no_sign_of_life"]
    assert [why.split(" has")[0] for why in whys] == ["the recogniser", "the record", "the loop"]
    # Meanwhile nobody said a word, and a day-old sound became too old to be kept.
    end_s = time.monotonic() + 20.0
    while old.exists():
        assert time.monotonic() < end_s, "old sound is still there"
        time.sleep(0.05)
    assert time.time() >= due_s
    table.process.send_signal(signal.SIGTERM)
    assert table.process.wait(30) == 0


def is_unwell(part: str, found: dict[str, Any]) -> bool:
    return part in [reason["part"] for reason in found["reasons"]]


def clip_of_yesterday(history: Path, too_old_in_s: float) -> tuple[float, Path]:
    """A kept sound that may be kept for so long still; gives when that ends, and the file."""
    when = datetime.now(timezone.utc) - timedelta(days=1) + timedelta(seconds=too_old_in_s)
    with History(history, keep_audio_days=1, utc_now=lambda: when) as past:
        session = past.begin_session("looped table", "0")
        heard = Heard(Hypothesis("violet", 0.8, True, {}), 2.0, 2.6, -31.0)
        match = Match("violet", "violet", 0.8, 0.4, "amber")
        sound = Clip(np.full(8_000, 0.1, np.float32), 16_000)
        past.record_heard(2.6, heard, match, Verdict.ACT, audio=sound)
        (name,) = (entry.fields["audio_file"] for entry in past.utterances(session))
    assert (past.audio_folder / name).exists()
    return when.timestamp() + 86_400.0, past.audio_folder / name


def test_a_hung_table_that_the_manager_ends_leaves_where_it_hung(
    start: Callable[..., WatchedTable], manager: Manager, tmp_path: Path
) -> None:
    """systemd ends a silent service by SIGABRT (systemd.service(5), WatchdogSignal)."""
    table = start(module="tests.watching.altered_table")
    manager.wait_for("READY=1")
    (tmp_path / "hang_loop").touch()
    table.send(event("e1", "hello"))
    manager.wait_for("STATUS=no sign of life")
    os.kill(table.process.pid, signal.SIGABRT)
    assert table.process.wait(30) == -signal.SIGABRT
    table.drained()
    trace = b"".join(table.complaints).decode()
    assert "Fatal Python error: Aborted" in trace
    assert "altered_table.py" in trace
    assert "in hang" in trace
