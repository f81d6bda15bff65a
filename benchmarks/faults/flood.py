"""Ten thousand events a second at a running table: what is answered, how soon a warning sounds.

The mix is that of a controller gone wrong: nearly all small talk, some moves, a warning now
and then. Every event must be answered, small talk goes first, warnings never, and the process
must not grow.
"""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import psutil

from benchmarks.faults.bench import Bench
from benchmarks.faults.running import ANSWERS, Row, RunningTable

CHUNK = 200
"""Events written at once."""


@dataclass(frozen=True, slots=True)
class FloodResult:
    """``outcomes`` counts the answers of each kind; sizes in MB, one a second."""

    offered: int
    offered_a_s: float
    handled_a_s: float
    outcomes: dict[str, dict[str, int]]
    unanswered: int
    twice: int
    warning_ms: tuple[float, ...]
    resident_mb: tuple[float, ...]
    wrong: tuple[str, ...]


def flood(
    bench: Bench,
    for_s: float,
    rate_hz: float,
    warning_every_s: float = 3.0,
    answered_within_s: float = 120.0,
) -> FloodResult:
    """Flood the bench's table and wait until all is answered."""
    table = bench.table
    sizes: list[float] = []
    ended = threading.Event()
    watching = threading.Thread(target=_watch, args=(table, sizes, ended), daemon=True)
    kinds: dict[str, str] = {}
    sent_s: dict[str, float] = {}
    offset_s = _clock_of(table)
    mark = table.mark()
    watching.start()
    began_s = time.monotonic()
    next_warning_s, number = began_s + warning_every_s, 0
    total = round(for_s * rate_hz)
    while number < total:
        due_s = began_s + number / rate_hz
        time.sleep(max(0.0, due_s - time.monotonic()))
        lines = []
        for _ in range(min(CHUNK, total - number)):
            number += 1
            kind = "story" if number % 50 == 0 else "hello"
            lines.append(_event(kinds, f"f{number}", kind))
        if time.monotonic() > next_warning_s:
            next_warning_s += warning_every_s
            lines.append(_event(kinds, f"w{number}", "caution"))
            sent_s[f"w{number}"] = time.monotonic()
        table.send_bytes(b"".join(lines))
    offered_s = time.monotonic() - began_s
    left = _wait_answered(table, mark, kinds, answered_within_s)
    handled_s = time.monotonic() - began_s
    ended.set()
    watching.join()
    began = {
        row["id"]: row["start_s"] + offset_s
        for row in table.since(mark)
        if row["type"] == "said" and row["id"] in sent_s and row["start_s"] is not None
    }
    late_ms = tuple(round(1000 * (began[one] - sent_s[one]), 1) for one in sent_s if one in began)
    return _result(table.since(mark), kinds, offered_s, handled_s, left, sizes, late_ms)


def idle_warnings(bench: Bench, times: int) -> tuple[float, ...]:
    """The same delay, in ms, at a table that has nothing else to do."""
    table = bench.table
    offset_s = _clock_of(table)
    found = []
    for _ in range(times):
        mark, sent_s = table.mark(), time.monotonic()
        event_id = table.event("caution")
        table.outcome_of(event_id)
        said = table.wait_type("said", mark)
        found.append(round(1000 * (said["start_s"] + offset_s - sent_s), 1))
    return tuple(found)


def _clock_of(table: RunningTable) -> float:
    """What to add to a time of the session for this program's; some tenths of a ms too much."""
    offsets: list[float] = []
    for number in range(5):
        mark = table.mark()
        table.send({"v": 1, "type": "ping", "id": f"clock {number}"})
        pong = table.wait_type("pong", mark)
        offsets.append(time.monotonic() - pong["at_s"])
    return min(offsets)


def _event(kinds: dict[str, str], event_id: str, kind: str) -> bytes:
    kinds[event_id] = kind
    row = {"v": 1, "type": "event", "id": event_id, "event": kind}
    return json.dumps(row).encode() + b"\n"


def _watch(table: RunningTable, sizes: list[float], ended: threading.Event) -> None:
    process = psutil.Process(table.process.pid)
    while not ended.wait(1.0):
        sizes.append(process.memory_info().rss / 1e6)


def _wait_answered(
    table: RunningTable, mark: int, kinds: dict[str, str], within_s: float
) -> int:
    """How many events are still not answered when all are, or time is over."""
    until_s = time.monotonic() + within_s
    place, answered = mark, set[str]()
    while True:
        rows = table.since(place)
        place += len(rows)
        answered |= {row["id"] for row in rows if row["type"] in ANSWERS and row["id"] in kinds}
        left = len(kinds) - len(answered)
        if not left or time.monotonic() > until_s or not table.alive:
            return left
        time.sleep(0.2)


def _result(
    rows: Sequence[Row],
    kinds: dict[str, str],
    offered_s: float,
    handled_s: float,
    left: int,
    sizes: list[float],
    late_ms: tuple[float, ...],
) -> FloodResult:
    outcomes: dict[str, dict[str, int]] = {}
    counts: Counter[str] = Counter()
    for row in rows:
        if row["type"] in ANSWERS and row["id"] in kinds:
            counts[row["id"]] += 1
            outcome = "refused" if row["type"] == "error" else str(row.get("said"))
            of_kind = outcomes.setdefault(kinds[row["id"]], {})
            of_kind[outcome] = of_kind.get(outcome, 0) + 1
    wrong = []
    warned = outcomes.get("caution", {})
    if set(warned) - {"said", "cut"}:
        wrong.append(f"warnings were not said: {warned}")
    twice = sum(count > 1 for count in counts.values())
    if left or twice:
        wrong.append(f"{left} events were not answered, {twice} more than once")
    return FloodResult(
        len(kinds), round(len(kinds) / offered_s), round(len(kinds) / handled_s), outcomes, left,
        twice, late_ms, tuple(round(size, 1) for size in sizes), tuple(wrong),
    )  # fmt: skip
