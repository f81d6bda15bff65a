"""Which events have too few lines for how often they come, and how many would do.

Uses the arithmetic of ``comebacks``. Lines with conditions are counted where they are
scarcest: the part of an event's lines that must serve most uses for its size wears out
first. Takes known slot values to come equally often and no kind to rest, for want of
anything better; lines that only follow another are no part of the stock.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from tablevoice.model import EventLines, Priority, SlotValue
from tablevoice.phrasebook.desk.comebacks import (
    SOON_SHARE,
    lines_needed,
    mean_uses,
    share_within,
)
from tablevoice.phrasebook.desk.house_style import HouseStyle
from tablevoice.phrasebook.desk.manuscript import Manuscript, WrittenEvent
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.slots import SlotValues, met

MOST_SITUATIONS = 400
"""Combinations of slot values looked at of one event; drawn evenly, where there are more."""
MOST_STARTS = 4
"""Sets of lines from which larger ones are grown: those that are scarcest by themselves."""
OTHER = "\0other"
"""Stands for every text that no condition names."""


@dataclass(frozen=True, slots=True)
class Scarce:
    """The lines of an event that come back soonest.

    ``lines`` of them serve ``uses_share`` of all uses; ``when``: slot values with which no
    other line may be said (empty where the event's lines are one stock).
    """

    lines: int
    uses_share: float
    when: Mapping[str, SlotValue]


def read_freshness(text: Manuscript, style: HouseStyle) -> Iterator[Note]:
    """Notes on events with too few lines (E103) or a single one (E104)."""
    for written in text.events:
        if written.event.priority is Priority.WARNING:
            continue  # a warning should sound the same each time
        scarce = scarcest(written.event, text.book.slot_values)
        uses = style.expected_uses.get(written.event.name, written.uses)
        if scarce.lines and uses:
            yield from _too_few(written, scarce, uses, style.repeats_apart_sessions)
        if scarce.lines == 1:
            yield written.note(
                "E104", f"event {written.event.name!r} has a single line to say{_when(scarce)}: "
                "it sounds the same each time.", "Write a second one, or more.")  # fmt: skip


def without_uses(text: Manuscript, style: HouseStyle) -> list[str]:
    """Events (but warnings) of which nobody has said how often they are expected."""
    return [
        written.event.name for written in text.events
        if written.event.priority is not Priority.WARNING and written.uses is None
        and written.event.name not in style.expected_uses
    ]  # fmt: skip


def scarcest(event: EventLines, slot_values: SlotValues) -> Scarce:
    """The part of the event's lines that serves most uses for its size.

    Situations with the same eligible lines are one. Whatever set of lines is taken, the
    situations that allow no line outside it fall to it alone; the set for which these are most
    by the line wears out first. Sets are grown from each situation's own by joining others.
    """
    shares = _situations(event, slot_values)
    everything = 0
    for lines in shares:
        everything |= lines
    best, best_density = everything, _density(everything, shares)
    densities = {lines: _density(lines, shares) for lines in shares}
    for start in sorted(densities, key=densities.__getitem__, reverse=True)[:MOST_STARTS]:
        chosen, density = start, densities[start]
        for other in shares:
            joined = chosen | other
            if joined != chosen and (more := _density(joined, shares)) > density:
                chosen, density = joined, more
        if density > best_density * (1 + 1e-9):
            best, best_density = chosen, density
    count = best.bit_count()
    when = shares[best][1] if best in shares and best != everything else {}
    return Scarce(count, best_density * count, when)


def _density(lines: int, shares: Mapping[int, tuple[float, object]]) -> float:
    """The share of uses that falls to ``lines`` alone, by the line."""
    count = lines.bit_count()
    if not count:
        return 0.0
    return sum(share for own, (share, _) in shares.items() if own & ~lines == 0) / count


def _situations(
    event: EventLines, slot_values: SlotValues
) -> dict[int, tuple[float, dict[str, SlotValue]]]:
    """Sets of eligible lines, as bits, with their share of uses and values that bring it about."""
    deciding = list(
        dict.fromkeys(
            slot
            for line in event.lines
            for condition in line.when
            for slot in (condition.slot, condition.other)
            if slot is not None
        )
    )
    values = [_values(event, slot, slot_values) for slot in deciding]
    stock = {
        index: line
        for index, line in enumerate(event.lines)
        if line.weight > 0 and line.follows is None
    }
    tests = list(dict.fromkeys(line.when for line in stock.values()))
    of_tests = {
        when: sum(1 << index for index, line in stock.items() if line.when == when)
        for when in tests
    }
    found: dict[int, tuple[int, dict[str, SlotValue]]] = {}
    combinations = _combinations(values)
    for combination in combinations:
        slots = dict(zip(deciding, combination, strict=True))
        lines = 0
        for when in tests:
            if all(met(condition, slots) for condition in when):
                lines |= of_tests[when]
        count, example = found.get(lines, (0, slots))
        found[lines] = (count + 1, _shared(example, slots))
    return {
        lines: (count / len(combinations), values) for lines, (count, values) in found.items()
        if lines
    }  # fmt: skip


def _combinations(values: Sequence[Sequence[SlotValue]]) -> list[tuple[SlotValue, ...]]:
    """All combinations, or as many as are looked at, the same ones each time."""
    total = math.prod(map(len, values))
    if total <= MOST_SITUATIONS:
        return list(product(*values))
    drawn = random.Random(0)
    return [tuple(drawn.choice(some) for some in values) for _ in range(MOST_SITUATIONS)]


def _shared(one: dict[str, SlotValue], other: dict[str, SlotValue]) -> dict[str, SlotValue]:
    """The values that two combinations have in common: those that a message may name."""
    return {slot: value for slot, value in one.items() if other[slot] == value}


def _values(event: EventLines, slot: str, slot_values: SlotValues) -> list[SlotValue]:
    known = slot_values.get(slot)
    if known is not None:
        return list(known)
    named: dict[SlotValue, None] = {OTHER: None}
    for line in event.lines:
        for condition in line.when:
            if condition.slot == slot:
                named.update(dict.fromkeys((*(condition.among or ()), *condition.not_among)))
                for bound in (condition.at_least, condition.at_most):
                    if bound is not None:
                        named.update(dict.fromkeys((bound - 1, bound, bound + 1)))
    return list(named)


def _too_few(
    written: WrittenEvent, scarce: Scarce, uses: float, apart_sessions: float
) -> Iterator[Note]:
    own_uses = uses * scarce.uses_share
    apart_uses = apart_sessions * own_uses
    soon = share_within(scarce.lines, apart_uses)
    if soon <= SOON_SHARE:
        return
    needed = lines_needed(apart_uses)
    back = mean_uses(scarce.lines) / own_uses
    yield written.note(
        "E103",
        f"event {written.event.name!r} has {_lines(scarce.lines)} for {_number(own_uses)} uses a "
        f"session{_when(scarce)}: a line comes back after {_sessions(back)} on the average, and "
        f"{_often(soon)} of the repeats within {_sessions(apart_sessions)}.",
        f"{needed} lines ({needed - scarce.lines} more) keep nineteen of twenty repeats more than "
        f"{_sessions(apart_sessions)} apart.",
    )


def _when(scarce: Scarce) -> str:
    if not scarce.when:
        return ""
    named = ", ".join(
        f"{slot} is {'anything else' if value == OTHER else value}"
        for slot, value in scarce.when.items())  # fmt: skip
    return f" when {named}"


def _lines(count: int) -> str:
    return "1 line" if count == 1 else f"{count} lines"


def _sessions(count: float) -> str:
    return "1 session" if count == 1 else f"{_number(count)} sessions"


def _number(value: float) -> str:
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


def _often(share: float) -> str:
    return "all" if share >= 0.995 else f"{share:.0%}"
