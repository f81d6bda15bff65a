"""Whether each line of an event can ever come, and whether the event can always be said.

Pure. Sets of lines are bits of one whole number, so that 10,000 lines cost little; the
combinations of slot values that are looked at are bounded. Called by the cross checks.
"""

from __future__ import annotations

from collections.abc import Mapping

from tablevoice.model import Condition, SlotValue
from tablevoice.phrasebook.findings import Findings, shown
from tablevoice.phrasebook.merging import Draft, Found
from tablevoice.phrasebook.schema import ConditionEntry, EventEntry
from tablevoice.phrasebook.slots import holds

MOST_COMBINATIONS = 20_000
"""Combinations of slot values looked at an event; what lies beyond is left unchecked."""
MOST_TESTS = 2_000_000
"""Conditions tried on values an event (a second or two); an event beyond it is left unchecked."""
OTHER = "\0other"
"""Stands for every text that no condition names."""


def check_reach(draft: Draft, name: str, event: Found[EventEntry], findings: Findings) -> None:
    """Add lines that can never come, and a combination of values that leaves none to say."""
    lines = event.entry.lines
    if not any(line.weight > 0 for line in lines):
        findings.add(f"every line of event {name!r} has weight 0, so none is ever said.",
                     event.where("lines"), "Give one of them a weight above 0.")
        return
    slots = list(dict.fromkeys(slot for line in lines for slot in line.when))
    values = {slot: _values(draft, event.entry, slot) for slot in slots}
    if len(lines) * sum(map(len, values.values())) > MOST_TESTS:
        return
    allowed: dict[str, dict[SlotValue, int]] = {}
    for slot in slots:
        allowed[slot] = dict.fromkeys(values[slot], 0)
    never = False
    for index, line in enumerate(lines):
        for slot in slots:
            test = line.when.get(slot)
            fits = [value for value in values[slot]
                    if test is None or holds(_condition(slot, test), value)]
            if not fits:
                never = True
                findings.add(f"this line of event {name!r} can never be said: no value of "
                             f"{slot!r} meets its condition.",
                             event.where("lines", index, "when", slot),
                             "Loosen the condition, or remove the line.")
            for value in fits:
                allowed[slot][value] |= 1 << index
    said = sum(1 << index for index, line in enumerate(lines) if line.weight > 0)
    gap = None if never else _gap(slots, allowed, said, [
        sum(1 << index for index, line in enumerate(lines)
            if not any(slot in line.when for slot in slots[depth:]))
        for depth in range(len(slots) + 1)
    ])
    if gap is not None:
        when = ", ".join(f"{slot}: {_shown(value)}" for slot, value in gap.items())
        findings.add(f"event {name!r} has no line to say when {when}.", event.where("lines"),
                     "Add a line for it, or one without conditions.")


def _gap(slots: list[str], allowed: Mapping[str, Mapping[SlotValue, int]], said: int,
         free: list[int]) -> dict[str, SlotValue] | None:
    """A combination of values for which no line is left.

    ``free[depth]``: lines that no slot from ``depth`` on can take away; where one is
    left, everything further down is covered.
    """
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
            waiting.append(({**chosen, slot: value}, left & lines))
    return None


def _values(draft: Draft, entry: EventEntry, slot: str) -> list[SlotValue]:
    """The known values of a slot; of one that takes any text, those that make a difference."""
    found = draft.slots.get(slot)
    if found is not None and found.entry is not None:
        return list(found.entry)
    values: dict[SlotValue, None] = {OTHER: None}
    for line in entry.lines:
        test = line.when.get(slot)
        if test is not None:
            values.update(dict.fromkeys([*(test.among or ()), *(test.not_among or ())]))
            for bound in (test.at_least, test.at_most):
                if bound is not None:
                    values.update(dict.fromkeys([bound - 1, bound, bound + 1]))
    return list(values)


def _condition(slot: str, test: ConditionEntry) -> Condition:
    return Condition(slot, None if test.among is None else tuple(test.among),
                     tuple(test.not_among or ()), test.at_least, test.at_most)


def _shown(value: SlotValue) -> str:
    return "any other text" if value == OTHER else shown(value)
