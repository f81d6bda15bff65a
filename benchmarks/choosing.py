"""How long the choice of a line takes among 10,000, against a naive choice without memory.

Once with plain lines, once with taste: kinds that rest, likings of both arms, 500 stories that
go on. The second is told as a ratio to the first as well.

The naive one tests every line's conditions and calls ``random.choice``: what it leaves
out (no repeats, weights, voices) is the point of the chooser. Run it by itself, or
through ``measure()``; both sides are timed in the same run, so that the ratio stands
on any machine.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from itertools import count, cycle, islice
from typing import Any

from tablevoice.model import (
    Condition,
    Cooldown,
    EventLines,
    Line,
    Phrasebook,
    Priority,
    SlotValue,
)
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.phrasebook.slots import eligible, fill

LINES = 10_000
CHOICES = 4_000
NAIVE_CHOICES = 60
GOAL_US = 50.0
TASTE_GOAL_RATIO = 4.0
"""Choosing with taste against choosing without, in the same run."""
KINDS = ("teasing", "modest", "boast", "song", "weather", "paper", "rules", "guests")


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


def tasteful_book(voice: str | None) -> Phrasebook:
    """The same lines, four in five of a kind; every twentieth begins a story or goes on with it."""
    book = big_book(voice)
    (event,) = book.events.values()
    lines = []
    for number, line in enumerate(event.lines):
        kind = None if number % 5 == 0 else KINDS[number % len(KINDS)]
        lines.append(replace(
            line, kind=kind, begins=number % 20 == 7,
            follows=f"line-{number - 1}" if number % 20 == 8 else None,
            within_s=60.0 if number % 20 == 8 else line.within_s))
    limits = {kind: Cooldown(every_s=4.0 * place, every_uses=1 + place)
              for place, kind in enumerate(KINDS)}
    likings = {"Alder": {"teasing": 0.3, "boast": 0.0}, "Briar": {"teasing": 3.0, "modest": 0.5}}
    return replace(book, events={"turn": replace(event, lines=tuple(lines))}, kinds=limits,
                   characters=likings)


def measure() -> list[dict[str, Any]]:
    """One row a way of speaking: times of a choice in µs, and their ratio to the naive one."""
    rows: list[dict[str, Any]] = []
    for name, voice, make in (
        ("one voice", None, big_book),
        ("a voice for each arm", "{arm}", big_book),
        ("one voice, with taste", None, tasteful_book),
        ("a voice for each arm, with taste", "{arm}", tasteful_book),
    ):
        book = make(voice)
        chooser = Chooser(book, seed=1)
        moves: list[dict[str, SlotValue]] = [
            {"arm": arm, "lights": lights} for lights in range(6) for arm in ("Alder", "Briar")]
        for slots in moves:  # a table's first event of each kind finds the eligible lines
            chooser.choose("turn", slots, "Alder")
        dice = random.Random(1)

        def naive(slots: Mapping[str, SlotValue], book: Phrasebook = book,
                  dice: random.Random = dice) -> None:
            lines = [line for line in book.events["turn"].lines if eligible(line, slots)]
            fill(dice.choice(lines).text, slots)

        clock_s = count()  # a line each second, so that kinds come to rest and wake up

        def ours(slots: Mapping[str, SlotValue], chooser: Chooser = chooser,
                 clock_s: Iterator[int] = clock_s) -> None:
            chooser.choose("turn", slots, "Alder", float(next(clock_s)))

        naive_us = _times_us(naive, moves, NAIVE_CHOICES)
        ours_us = _times_us(ours, moves, CHOICES)
        median, naive_median = statistics.median(ours_us), statistics.median(naive_us)
        plain = rows[len(rows) - 2] if make is tasteful_book else None
        ratio = None if plain is None else median / plain["median_us"]
        goal = f"<= {GOAL_US:g} us" if ratio is None else f"<= {TASTE_GOAL_RATIO:g} x without"
        rows.append({
            "what": f"choose among {LINES} lines, {name}",
            "median_us": round(median, 1),
            "p95_us": round(statistics.quantiles(ours_us, n=20)[-1], 1),
            "naive_median_us": round(naive_median, 1),
            "ratio_to_naive": round(median / naive_median, 4),
            **({} if ratio is None else {"ratio_to_no_taste": round(ratio, 2)}),
            "goal": goal,
            "met": median <= GOAL_US if ratio is None else ratio <= TASTE_GOAL_RATIO,
            "samples": CHOICES,
        })
    return rows


def _times_us(choose: Callable[[Mapping[str, SlotValue]], None],
              moves: list[dict[str, SlotValue]], times_called: int) -> list[float]:
    times = []
    for slots in islice(cycle(moves), times_called):
        start_s = time.perf_counter()
        choose(slots)
        times.append((time.perf_counter() - start_s) * 1e6)
    return times


if __name__ == "__main__":
    for row in measure():
        print("  ".join(f"{key}: {value}" for key, value in row.items()))
