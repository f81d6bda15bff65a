"""How long the choice of a line takes among 10,000, against a naive choice without memory.

The naive one tests every line's conditions and calls ``random.choice``: what it leaves
out (no repeats, weights, voices) is the point of the chooser. Run it by itself, or
through ``measure()``; both sides are timed in the same run, so that the ratio stands
on any machine.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable, Mapping
from itertools import cycle, islice
from typing import Any

from tablevoice.model import Condition, EventLines, Line, Phrasebook, Priority, SlotValue
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.phrasebook.slots import eligible, fill

LINES = 10_000
CHOICES = 4_000
NAIVE_CHOICES = 60
GOAL_US = 50.0


def big_book(voice: str | None) -> Phrasebook:
    """10,000 lines of one event; every third has one of 15 conditions, weights vary."""
    tests = [Condition("lights", among=(lights,)) for lights in range(6)]
    tests += [Condition("lights", at_least=lights) for lights in range(1, 6)]
    tests += [Condition("lights", not_among=(lights,)) for lights in range(4)]
    lines = tuple(
        Line(
            key=f"line-{number}",
            event="turn",
            text=f"{{arm}} says line {number} of {{lights}}.",
            voice=voice,
            weight=1.0 + number % 3,
            when=(tests[number // 3 % len(tests)],) if number % 3 == 0 else (),
        )
        for number in range(LINES)
    )
    event = EventLines("turn", "", ("arm", "lights"), Priority.MOVE, 8.0, True, None, None, lines)
    slots: Mapping[str, tuple[SlotValue, ...] | None] = {
        "arm": ("Alder", "Briar"), "lights": tuple(range(6))}
    return Phrasebook("Ten thousand lines", "en", slots, {"turn": event}, {}, {})


def measure() -> list[dict[str, Any]]:
    """One row a way of speaking: times of a choice in µs, and their ratio to the naive one."""
    rows = []
    for name, voice in (("one voice", None), ("a voice for each arm", "{arm}")):
        book = big_book(voice)
        chooser = Chooser(book, seed=1)
        moves: list[dict[str, SlotValue]] = [
            {"arm": arm, "lights": lights} for lights in range(6) for arm in ("Alder", "Briar")]
        for slots in moves:  # a table's first event of each kind finds the eligible lines
            chooser.choose("turn", slots, "Alder")
        plain = random.Random(1)

        def naive(slots: Mapping[str, SlotValue], book: Phrasebook = book,
                  plain: random.Random = plain) -> None:
            lines = [line for line in book.events["turn"].lines if eligible(line, slots)]
            fill(plain.choice(lines).text, slots)

        def ours(slots: Mapping[str, SlotValue], chooser: Chooser = chooser) -> None:
            chooser.choose("turn", slots, "Alder")

        naive_us = _times_us(naive, moves, NAIVE_CHOICES)
        ours_us = _times_us(ours, moves, CHOICES)
        median, naive_median = statistics.median(ours_us), statistics.median(naive_us)
        rows.append({
            "what": f"choose among {LINES} lines, {name}",
            "median_us": round(median, 1),
            "p95_us": round(statistics.quantiles(ours_us, n=20)[-1], 1),
            "naive_median_us": round(naive_median, 1),
            "ratio_to_naive": round(median / naive_median, 4),
            "goal": f"<= {GOAL_US:g} us",
            "met": median <= GOAL_US,
            "samples": CHOICES,
        })
    return rows


def _times_us(choose: Callable[[Mapping[str, SlotValue]], None],
              moves: list[dict[str, SlotValue]], count: int) -> list[float]:
    times = []
    for slots in islice(cycle(moves), count):
        start_s = time.perf_counter()
        choose(slots)
        times.append((time.perf_counter() - start_s) * 1e6)
    return times


if __name__ == "__main__":
    for row in measure():
        print("  ".join(f"{key}: {value}" for key, value in row.items()))
