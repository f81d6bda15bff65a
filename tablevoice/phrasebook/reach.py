"""Whether each line of an event can ever come, and whether the event can always be said.

Pure. Sets of lines are bits of one whole number, so that 10,000 lines cost little; the
combinations of slot values that are looked at are bounded. Called by the cross checks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tablevoice.model import Condition, SlotValue
from tablevoice.phrasebook.conditions import conditions_of
from tablevoice.phrasebook.findings import (
    EVENT_WITHOUT_LINES,
    NO_LINE_FOR_VALUES,
    Findings,
    shown,
)
from tablevoice.phrasebook.merging import Draft, Found
from tablevoice.phrasebook.schema import EventEntry
from tablevoice.phrasebook.slots import holds, met, related

MOST_COMBINATIONS = 20_000
"""Combinations of slot values looked at an event; what lies beyond is left unchecked."""
MOST_TESTS = 2_000_000
"""Conditions tried on values an event (a second or two); an event beyond it is left unchecked."""
OTHER = "\0other"
"""Stands for every text that no condition names."""


def check_reach(draft: Draft, name: str, event: Found[EventEntry], findings: Findings) -> None:
    """Add lines that can never come, and a combination of values that leaves none to say.

    A line that follows another may be missing when it is wanted, so it does not count as one
    that can always be said.
    """
    lines = event.entry.lines
    if not any(line.weight > 0 for line in lines):
        findings.add(f"every line of event {name!r} has weight 0, so none is ever said.",
                     event.where("lines"), "Give one of them a weight above 0.",
                     EVENT_WITHOUT_LINES)
        return
    if not any(line.weight > 0 and line.follows is None for line in lines):
        findings.add(f"every line of event {name!r} follows another, so none may come first.",
                     event.where("lines"), "Add a line that follows none.")
        return
    counting = draft.counting
    tests = [conditions_of(event.entry, line, draft.read_moods, counting) for line in lines]
    slots = list(dict.fromkeys(
        slot for conditions in tests for condition in conditions
        for slot in (condition.slot, condition.other) if slot is not None))
    values = {slot: _values(draft, tests, slot) for slot in slots}
    if len(lines) * sum(map(len, values.values())) > MOST_TESTS:
        return
    allowed: dict[str, dict[SlotValue, int]] = {}
    for slot in slots:
        allowed[slot] = dict.fromkeys(values[slot], 0)
    never = False
    for index, conditions in enumerate(tests):
        possible = {}
        for slot in slots:
            own = [condition for condition in conditions if condition.slot == slot]
            fits = [value for value in values[slot]
                    if all(holds(condition, value) for condition in own)]
            if not fits:
                never = True
                findings.add(f"this line of event {name!r} can never be said: no value of "
                             f"{slot!r} meets its condition.", _place(event, index, slot),
                             "Loosen the condition, or remove the line.")
            for value in fits:
                allowed[slot][value] |= 1 << index
            possible[slot] = fits
        apart = next((c for c in conditions if c.other is not None and all(possible.values())
                      and not any(related(c, one, two) for one in possible[c.slot]
                                  for two in possible[c.other])), None)
        if apart is not None:
            never = True
            findings.add(f"this line of event {name!r} can never be said: {apart.slot!r} never "
                         f"stands so to {apart.other!r}.", event.where("lines", index, "mood"),
                         "Use another mood, or remove the line.")
    said = sum(1 << index for index, line in enumerate(lines)
               if line.weight > 0 and line.follows is None)
    gap = None if never else _gap(slots, allowed, said, tests)
    if gap is not None:
        when = ", ".join(f"{slot}: {_shown(value)}" for slot, value in gap.items())
        findings.add(f"event {name!r} has no line to say when {when}.", event.where("lines"),
                     "Add a line for it, or one without conditions.", NO_LINE_FOR_VALUES)


def _place(event: Found[EventEntry], index: int, slot: str) -> str:
    line = event.entry.lines[index]
    if slot in line.when:
        return event.where("lines", index, "when", slot)
    return event.where("lines", index, "only" if line.mood is None else "mood")


def _gap(slots: list[str], allowed: Mapping[str, Mapping[SlotValue, int]], said: int,
         tests: Sequence[tuple[Condition, ...]]) -> dict[str, SlotValue] | None:
    """A combination of values for which no line is left.

    ``free[depth]``: lines that no slot from ``depth`` on can take away; where one is
    left, everything further down is covered.
    """
    used = [{slot for c in conditions for slot in (c.slot, c.other)} for conditions in tests]
    free = [
        sum(1 << index for index, names in enumerate(used) if not names & set(slots[depth:]))
        for depth in range(len(slots) + 1)
    ]
    between: dict[Condition, int] = {}
    for index, conditions in enumerate(tests):
        for condition in conditions:
            if condition.other is not None:
                between[condition] = between.get(condition, 0) | 1 << index
    waiting: list[tuple[dict[str, SlotValue], int]] = [({}, said)]
    for _ in range(MOST_COMBINATIONS):
        if not waiting:
            return None
        chosen, left = waiting.pop()
        depth = len(chosen)
        if left & free[depth]:
            continue
        if not left or depth == len(slots):
            return chosen
        slot = slots[depth]
        for value, lines in allowed[slot].items():
            further = {**chosen, slot: value}
            still = left & lines
            for condition, bits in between.items():
                if slot in (condition.slot, condition.other) and condition.slot in further \
                        and condition.other in further and not met(condition, further):
                    still &= ~bits
            waiting.append((further, still))
    return None


def _values(draft: Draft, tests: Sequence[tuple[Condition, ...]], slot: str) -> list[SlotValue]:
    """The known values of a slot; of one that takes any text, those that make a difference."""
    found = draft.slots.get(slot)
    if found is not None and found.entry is not None:
        return list(found.entry)
    values: dict[SlotValue, None] = {OTHER: None}
    for condition in (condition for conditions in tests for condition in conditions):
        if condition.slot == slot:
            values.update(dict.fromkeys([*(condition.among or ()), *condition.not_among]))
            for bound in (condition.at_least, condition.at_most):
                if bound is not None:
                    values.update(dict.fromkeys([bound - 1, bound, bound + 1]))
        if slot in (condition.slot, condition.other) and condition.other is not None:
            # Numbers on both sides of whatever numbers the other slot is known to have.
            other = condition.other if slot == condition.slot else condition.slot
            known = draft.slots[other].entry if other in draft.slots else None
            numbers = [value for value in known or (0,) if isinstance(value, int)] or [0]
            values.update(dict.fromkeys(
                [*numbers, min(numbers) - 1, max(numbers) + 1, *(known or ())]))
    return list(values)


def _shown(value: SlotValue) -> str:
    return "any other text" if value == OTHER else shown(value)
