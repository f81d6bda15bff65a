"""Carries out one fault once, and says what became of the table.

The same for every fault: the table is well before, something breaks, it is made whole, the
table is well again; meanwhile every event is answered exactly once and every problem says
what happened and what to do.
"""

from __future__ import annotations

import time

from benchmarks.faults.bench import Bench
from benchmarks.faults.fault import Fault, Outcome
from benchmarks.faults.running import NeverCame, RunningTable

ANSWERED_WITHIN_S = 20.0


def tried(fault: Fault, bench: Bench) -> Outcome:
    """The outcome of one trial; raises nothing that the table did wrong."""
    table = bench.table
    mark, sent_before = table.mark(), len(table.sent)
    wrong: list[str] = []
    back_s: float | None = None
    try:
        try:
            fault.breaks(bench)
            wrong += fault.holds(bench)
        finally:
            fault.heals(bench)
    except NeverCame as late:
        wrong.append(str(late))
    ended = ""
    current = bench.current
    if current is not None and not current.alive:
        ended = f"exit status {current.process.returncode}"
        current.kill()  # what it said last is read to its end
        bench.let_go()
    try:
        back_s = bench.until_well()
    except NeverCame as late:
        wrong.append(f"after it: {late}")
    told = table.told(mark)
    if current is not None and current is not table:
        told += current.told()
    wrong += [f"said without advice: {row}" for row in told if not (row["what"] and row["do"])]
    tables = {table, *(one for one in (current, bench.current) if one is not None)}
    wrong += [one for each in tables for one in _unanswered(each)]
    return Outcome(
        fault.name, sum(len(one.sent) for one in tables) - sent_before,
        tuple(row["what"] for row in told), ended,
        None if back_s is None else round(back_s, 2), tuple(wrong),
    )  # fmt: skip


def _unanswered(table: RunningTable) -> list[str]:
    until_s = time.monotonic() + ANSWERED_WITHIN_S
    while (wrong := table.miscounted()) and table.alive and time.monotonic() < until_s:
        time.sleep(0.2)
    return wrong
