"""The computer's clock jumps, both ways, by hours and years, while the table runs."""

from __future__ import annotations

import time
from pathlib import Path

from benchmarks.faults.bench import Bench
from tests.guard.faults import FAKETIME

JUMPS = ("+5y", "-3y", "-1h", "+1d", "+0")


def jumping_clock(folder: Path) -> tuple[Path, dict[str, str]]:
    """A file that sets the clock of a process with this environment; needs libfaketime."""
    clock = folder / "clock"
    folder.mkdir(parents=True, exist_ok=True)
    clock.write_text("+0")
    return clock, {
        "LD_PRELOAD": FAKETIME[0],
        "FAKETIME_TIMESTAMP_FILE": str(clock),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }


class ClockJumps:
    """Lines are said on time, and a question waits as long as it should."""

    name = "clock set forward 5 years, back 3 years, and by less"

    def __init__(self, clock: Path, jumps: tuple[str, ...] = JUMPS) -> None:
        self._clock = clock
        self._jumps = jumps

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._wrong: list[str] = []
        for jump in self._jumps:
            self._clock.write_text(jump)
            began_s = time.monotonic()
            outcome = table.outcome_of(table.event("hello"))
            took_s = time.monotonic() - began_s
            if outcome["said"] != "said" or took_s > 6.0:
                self._wrong.append(f"at {jump} a line took {took_s:.1f} s: {outcome}")

    def heals(self, bench: Bench) -> None:
        self._clock.write_text("+0")

    def holds(self, bench: Bench) -> list[str]:
        return self._wrong
