"""Faults of what lies on the disk: the history locked, spoilt, without room; lines deleted."""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
import subprocess
import time
from pathlib import Path

from benchmarks.faults.bench import Bench
from benchmarks.faults.running import NeverCame, Row

LOCKED_S = 12.0
"""More than twice as long as the history waits for another program at its opening."""


def kept(history: Path, event_id: str) -> list[str]:
    """What the history has of an event: the kinds of its rows."""
    with contextlib.closing(sqlite3.connect(f"file:{history}?mode=ro", uri=True)) as db:
        return [
            kind
            for kind in ("event", "said")
            for _ in db.execute(f"SELECT 1 FROM {kind} WHERE event_id = ?", (event_id,))
        ]


class HistoryLocked:
    """Another program keeps the history to itself; what happened meanwhile is written after."""

    name = "history database locked by another program"

    def __init__(self, locked_s: float = LOCKED_S) -> None:
        self._locked_s = locked_s
        self._other: sqlite3.Connection | None = None

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._mark = table.mark()
        self._other = sqlite3.connect(bench.history, isolation_level=None)
        self._other.execute("BEGIN EXCLUSIVE")
        until_s = time.monotonic() + self._locked_s
        self._events: list[str] = []
        self._late: list[float] = []
        while time.monotonic() < until_s:
            self._events.append(table.event("hello"))
            row = table.outcome_of(self._events[-1])
            if row["said"] != "said":
                self._late.append(row["at_s"])

    def heals(self, bench: Bench) -> None:
        if self._other is not None:
            self._other.close()
            self._other = None

    def holds(self, bench: Bench) -> list[str]:
        wrong = [f"lines waited for the history: {self._late}"] if self._late else []
        if not any("history" in row["what"] for row in bench.table.told(self._mark)):
            wrong.append("nobody told of the history")
        self.heals(bench)
        return wrong + _all_written(bench, self._events)


class DiskFull:
    """No room is left where the history is; with room again it is written down after all."""

    name = "disk full under the history"

    def __init__(self) -> None:
        self._filler: Path | None = None

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._mark = table.mark()
        self._filler = bench.history.with_name("filler")
        with contextlib.suppress(OSError), self._filler.open("wb", buffering=0) as file:
            while True:
                file.write(b"x" * 4096)
        self._events = []
        # Until SQLite has used up what room its file had left.
        until_s = time.monotonic() + 20.0
        while not self._told(bench) and time.monotonic() < until_s:
            self._events.append(table.event("hello"))
            table.outcome_of(self._events[-1])
        self._events += [table.event("hello") for _ in range(4)]
        for event_id in self._events:
            table.outcome_of(event_id)

    def _told(self, bench: Bench) -> list[Row]:
        return [row for row in bench.table.told(self._mark) if "history" in row["what"]]

    def heals(self, bench: Bench) -> None:
        if self._filler is not None:
            self._filler.unlink(missing_ok=True)

    def holds(self, bench: Bench) -> list[str]:
        wrong = [] if self._told(bench) else ["nobody told of the full disk"]
        self.heals(bench)
        return wrong + _all_written(bench, self._events)


class SmallDisk:
    """A small disk of its own for a bench's history; a superuser's. A context manager."""

    def __init__(self, folder: Path, size: str = "2m") -> None:
        self._folder = folder
        self._size = size

    def __enter__(self) -> SmallDisk:
        self._folder.mkdir(parents=True, exist_ok=True)
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={self._size}", "tmpfs", str(self._folder)],
            check=True,
        )
        return self

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", "-l", str(self._folder)], check=True)


class HistoryCorrupt:
    """The history's file is overwritten while the table runs, then the plug is pulled."""

    name = "history database corrupt"

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        for _ in range(3):
            table.outcome_of(table.event("hello"))
        for ending in ("", "-wal"):  # the log beside it would make the file whole again
            with bench.history.with_name(bench.history.name + ending).open("r+b") as file:
                size = file.seek(0, 2)
                file.seek(1024)
                file.write(b"\xa5" * (size - 1024))
        self._outcomes = [table.outcome_of(table.event("hello")) for _ in range(3)]
        table.kill()
        self._told_in_time = [row["what"] for row in table.told()]

    def heals(self, bench: Bench) -> None:
        """The next start moves it aside."""

    def holds(self, bench: Bench) -> list[str]:
        wrong = [f"not said: {row}" for row in self._outcomes if row["said"] != "said"]
        table = bench.restart()
        try:
            told = table.wait_for(lambda row: row["type"] == "error" and row["id"] is None)
        except NeverCame:
            return [*wrong, "nobody told that the history was damaged"]
        if "moved aside" not in told["what"]:
            wrong.append(f"told instead of damage: {told}")
        if not list(bench.history.parent.glob("*.damaged-*")):
            wrong.append("the damaged file was not kept")
        return wrong


class StoreDeleted:
    """Every prepared line is deleted while the table runs: lines are made again and said."""

    name = "prepared lines deleted"

    def breaks(self, bench: Bench) -> None:
        # A table that has just begun has no line in memory yet.
        bench.restart()
        shutil.rmtree(bench.folder / "store")
        self._outcomes = [bench.table.outcome_of(bench.table.event("hello")) for _ in range(3)]

    def heals(self, bench: Bench) -> None:
        """The table has made the folder again itself."""

    def holds(self, bench: Bench) -> list[str]:
        wrong = [f"not said: {row}" for row in self._outcomes if row["said"] != "said"]
        if not list((bench.folder / "store").glob("*.flac")):
            wrong.append("no line was kept again")
        return wrong


def _all_written(bench: Bench, events: list[str], within_s: float = 10.0) -> list[str]:
    """What of these events is not in the history in the end."""
    until_s = time.monotonic() + within_s
    while True:
        missing = [one for one in events if kept(bench.history, one) != ["event", "said"]]
        if not missing:
            return []
        if time.monotonic() > until_s:
            rows = json.dumps({one: kept(bench.history, one) for one in missing[:4]})
            return [f"{len(missing)} of {len(events)} events are not in the history: {rows}"]
        time.sleep(0.2)
