"""Faults of the speech engine's process: it hangs, it dies."""

from __future__ import annotations

import os
import signal

from benchmarks.faults.bench import Bench

ENGINE = b"engine_worker"


class EngineHung:
    """The engine's process is stopped; a line that needs it is owned up to, others are said."""

    name = "speech engine hung"

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        table.outcome_of(table.event("remark", note="Before"))
        self._mark = table.mark()
        os.kill(table.child(ENGINE), signal.SIGSTOP)
        self._lost = table.outcome_of(table.event("remark", note=f"Note {self._mark}"))
        self._prepared = table.outcome_of(table.event("hello"))

    def heals(self, bench: Bench) -> None:
        """The table has ended the process itself; the next line starts another."""

    def holds(self, bench: Bench) -> list[str]:
        wrong = [] if self._lost["said"] == "dropped" else [f"a lost line: {self._lost}"]
        if self._prepared["said"] != "said":
            wrong.append(f"a prepared line waited for the engine: {self._prepared}")
        if not any("did not answer" in row["what"] for row in bench.table.told(self._mark)):
            wrong.append("nobody told of the engine")
        after = bench.table.outcome_of(bench.table.event("remark", note=f"After {self._mark}"))
        return wrong if after["said"] == "said" else [*wrong, f"it stays broken: {after}"]


class EngineCrashed:
    """The engine's process is killed; the line that needs it next is said all the same."""

    name = "speech engine crashed"

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        table.outcome_of(table.event("remark", note="Before"))
        os.kill(table.child(ENGINE), signal.SIGKILL)
        self._next = table.outcome_of(table.event("remark", note=f"Next {table.mark()}"))

    def heals(self, bench: Bench) -> None:
        """The table has started another one itself."""

    def holds(self, bench: Bench) -> list[str]:
        return [] if self._next["said"] == "said" else [f"the next line: {self._next}"]
