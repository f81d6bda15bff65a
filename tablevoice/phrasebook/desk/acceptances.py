"""Findings that are right as they are: each accepted where it stands, with a reason.

An acceptance is a key beside the line (or its event, or under ``accept:`` for a slot's
values), so it goes where the line goes. One that nothing answers to any more is a finding
itself, lest old ones hide new faults. Pure; called by ``reading``.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace

from tablevoice.nearest import advice
from tablevoice.phrasebook.desk.codes import RULES
from tablevoice.phrasebook.desk.manuscript import Acceptance, Manuscript
from tablevoice.phrasebook.desk.notes import Note


@dataclass(slots=True)
class _Standing:
    """An acceptance, what it is about in words, and whether anything answered to it."""

    acceptance: Acceptance
    about: str
    event: str | None = None
    slot: str | None = None
    answered: bool = False


def accepted(
    text: Manuscript, notes: Iterable[Note], *, unmeasured: Collection[str] = ()
) -> list[Note]:
    """The notes, each with the reason for which it was accepted, and notes on acceptances.

    ``unmeasured``: keys of lines whose length is not known; what was accepted of it stays.
    """
    by_line: dict[str, list[_Standing]] = {}
    by_event: dict[str, list[_Standing]] = {}
    by_slot: dict[str, list[_Standing]] = {}
    standing: list[_Standing] = []
    for event in text.events:
        name = event.event.name
        by_event[name] = [_Standing(one, f"event {name!r}", name) for one in event.accepted]
        standing += by_event[name]
        for line in event.lines:
            if line.accepted:
                found = [_Standing(one, "this line", name) for one in line.accepted]
                by_line[line.line.key] = found
                standing += found
    for slot_name, slot in text.slots.items():
        by_slot[slot_name] = [
            _Standing(one, f"slot {slot_name!r}", slot=slot_name) for one in slot.accepted
        ]
        standing += by_slot[slot_name]
    told = []
    for note in notes:
        # Where two lines are alike, either may say why: moving them changes which is the later.
        candidates = [
            *by_line.get(note.line_key or "", ()), *by_line.get(note.partner or "", ()),
            *by_event.get(note.event or "", ()), *by_slot.get(note.slot or "", ()),
        ]  # fmt: skip
        match = next((one for one in candidates if one.acceptance.code == note.code), None)
        if match is None:
            told.append(note)
        else:
            match.answered = True
            told.append(replace(note, accepted=match.acceptance.reason))
    told += _unanswered(text, standing, unmeasured, by_line, by_event)
    return told


def _unanswered(
    text: Manuscript,
    standing: list[_Standing],
    unmeasured: Collection[str],
    by_line: dict[str, list[_Standing]],
    by_event: dict[str, list[_Standing]],
) -> Iterator[Note]:
    still_open = {
        id(one)
        for key in unmeasured
        for one in by_line.get(key, ())
        if one.acceptance.code == "L301"
    }
    for event in text.events:
        if any(line.line.key in unmeasured for line in event.lines):
            still_open |= {id(one) for one in by_event[event.event.name]
                           if one.acceptance.code == "L301"}  # fmt: skip
    for one in standing:
        code, place = one.acceptance.code, one.acceptance.place
        if code not in RULES:
            yield Note("A802", f"there is no finding {code}.", advice(code, RULES), place,
                       one.event, slot=one.slot)  # fmt: skip
        elif not one.answered and id(one) not in still_open:
            yield Note(
                "A801", f"{code} is accepted for {one.about}, where nothing of the kind is found "
                "(any more).", "Remove the acceptance.", place, one.event, slot=one.slot,
            )  # fmt: skip
    for stray in text.strays:
        yield Note("A801", f"{stray.code} is accepted for a slot that there is not.",
                   f"Name one of: {', '.join(text.slots) or 'none'}.", stray.place)  # fmt: skip
