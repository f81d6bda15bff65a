"""Faults of the recogniser, which lives in the table's own process: it hangs, fails, crashes.

A recogniser that is well cannot be made to hang from outside, so the table is started by
``python -m benchmarks.faults.recogniser``: tablevoice's own command line, whose recogniser
looks at a file before it takes a block of sound and does what is written there.
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from pathlib import Path

from benchmarks.faults.bench import Bench
from tablevoice.model import Samples

ORDERS = "FAULT_OF_THE_RECOGNISER"
PROGRAM = ("-m", "benchmarks.faults.recogniser")
HANGS_FOR_S = 60.0


class RecogniserHung:
    """It takes a block of sound and does not come back: told, and another one listens."""

    name = "recogniser hung"

    def __init__(self, orders: Path) -> None:
        self._orders = orders

    def breaks(self, bench: Bench) -> None:
        self._mark = bench.table.mark()
        _let_it(bench, self._orders, "hang")
        try:
            bench.table.wait_for(_tells_of_listening, self._mark, 20.0)
        finally:
            self._orders.unlink(missing_ok=True)

    def heals(self, bench: Bench) -> None:
        self._orders.unlink(missing_ok=True)

    def holds(self, bench: Bench) -> list[str]:
        return []


class RecogniserFails:
    """It raises an error of its own making: told, and another one listens."""

    name = "recogniser fails with an error"

    def __init__(self, orders: Path) -> None:
        self._orders = orders

    def breaks(self, bench: Bench) -> None:
        self._mark = bench.table.mark()
        _let_it(bench, self._orders, "fail")
        bench.table.wait_for(_tells_of_listening, self._mark, 20.0)

    def heals(self, bench: Bench) -> None:
        self._orders.unlink(missing_ok=True)

    def holds(self, bench: Bench) -> list[str]:
        return []


class RecogniserCrashes:
    """It takes the whole process along; what supervises the table starts it again."""

    name = "recogniser crashed with the table's process"

    def __init__(self, orders: Path) -> None:
        self._orders = orders

    def breaks(self, bench: Bench) -> None:
        bench.table.outcome_of(bench.table.event("hello"))
        _let_it(bench, self._orders, "crash")
        self._status = bench.table.process.wait(20)
        self._orders.unlink(missing_ok=True)

    def heals(self, bench: Bench) -> None:
        self._orders.unlink(missing_ok=True)

    def holds(self, bench: Bench) -> list[str]:
        return [] if self._status < 0 else [f"it ended with status {self._status}"]


def _let_it(bench: Bench, orders: Path, what: str) -> None:
    """A visitor speaks, and the recogniser does ``what`` with it."""
    orders.write_text(what)
    bench.room.visitor_says("violet", wait=False)


def _tells_of_listening(row: dict[str, object]) -> bool:
    return row["type"] == "error" and "listening" in str(row["what"])


def _obeying() -> None:
    """Have the recogniser of this process look at its orders."""
    from tablevoice.listening.pocketsphinx_recogniser import PocketSphinxRecogniser

    orders = Path(os.environ[ORDERS])
    feed = PocketSphinxRecogniser.feed

    def obey(self: PocketSphinxRecogniser, samples: Samples) -> None:
        if orders.exists():
            what = orders.read_text()
            orders.unlink()
            if what == "hang":
                time.sleep(HANGS_FOR_S)
            elif what == "fail":
                raise RuntimeError("the recogniser's library says no")
            elif what == "crash":
                ctypes.string_at(0)
        feed(self, samples)

    PocketSphinxRecogniser.feed = obey  # type: ignore[method-assign]


if __name__ == "__main__":
    from tablevoice.cli import app

    _obeying()
    app(sys.argv[1:])
