"""The computer's clock jumps, both ways, by hours and years, while the table runs.

A small library loaded before the C library (``clock_shift.c``) shifts the time of day of the
table's process and its children; the monotonic clock goes on, as in a computer whose clock
is set.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import struct
import subprocess
import time
from pathlib import Path

from benchmarks.faults.bench import Bench

SOURCE = Path(__file__).with_name("clock_shift.c")
HOUR_S, DAY_S, YEAR_S = 3_600.0, 86_400.0, 31_557_600.0
JUMPS_S = (5 * YEAR_S, -3 * YEAR_S, -HOUR_S, DAY_S, 0.0)

missing = "" if shutil.which("gcc") else "needs gcc: apt-get install gcc libc6-dev"


class ShiftedClock:
    """A clock that can be set, for the processes with its ``environment``."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        library, self._file = folder / "clock_shift.so", folder / "clock_shift"
        self._file.write_bytes(struct.pack("d", 0.0))
        if not library.exists():
            build = ["gcc", "-shared", "-fPIC", "-O2", "-Wall", "-Werror", "-o", str(library),
                     str(SOURCE), "-lm"]  # fmt: skip
            subprocess.run(build, check=True)
        self.environment = {"LD_PRELOAD": str(library), "CLOCK_SHIFT_FILE": str(self._file)}

    def set(self, shift_s: float) -> None:
        """Put the clock so many seconds before the true time, or behind it."""
        with self._file.open("r+b") as file:
            file.write(struct.pack("d", shift_s))


class ClockJumps:
    """Lines are said on time whatever the clock says, and the history has what it said."""

    name = "clock set forward 5 years, back 3 years, and by less"

    def __init__(self, clock: ShiftedClock, jumps_s: tuple[float, ...] = JUMPS_S) -> None:
        self._clock = clock
        self._jumps_s = jumps_s

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._wrong: list[str] = []
        events = []
        for jump_s in self._jumps_s:
            self._clock.set(jump_s)
            began_s = time.monotonic()
            events.append(table.event("hello"))
            outcome = table.outcome_of(events[-1])
            took_s = time.monotonic() - began_s
            if outcome["said"] != "said" or took_s > 6.0:
                self._wrong.append(f"{jump_s:+.0f} s: a line took {took_s:.1f} s: {outcome}")
        time.sleep(0.5)
        years = len(_years(bench.history, events))
        wanted = len({round(jump_s / YEAR_S) for jump_s in self._jumps_s})
        if years != wanted:
            self._wrong.append(f"the clock was set to {years} years instead of {wanted}")

    def heals(self, bench: Bench) -> None:
        self._clock.set(0.0)

    def holds(self, bench: Bench) -> list[str]:
        return self._wrong


def _years(history: Path, events: list[str]) -> set[str]:
    marks = ", ".join("?" * len(events))
    with contextlib.closing(sqlite3.connect(f"file:{history}?mode=ro", uri=True)) as db:
        rows = db.execute(f"SELECT utc FROM event WHERE event_id IN ({marks})", events)
        return {utc[:4] for (utc,) in rows}
