"""A checked phrasebook as an editor reads it: each line with its place and what was accepted.

Joins what the loader made with where it stood in the files. Knows no rule of writing; the
readers of this room are handed it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tablevoice.model import EventLines, Line, Phrasebook, SlotValue
from tablevoice.phrasebook.desk.notes import Note, Place, quoted
from tablevoice.phrasebook.loading import ReadBook
from tablevoice.phrasebook.merging import Found
from tablevoice.phrasebook.slots import SlotName, fill, holds, slots_in

_OPEN, _CLOSE = "\ue000", "\ue001"
_HELD = re.compile(f"({_OPEN}\\w+{_CLOSE})")


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A code with the reason for which it is right as it is, and where that stands."""

    code: str
    reason: str
    place: Place


@dataclass(frozen=True, slots=True)
class WrittenLine:
    """A line, where its text begins, and what was accepted of it.

    ``pieces``: its words without any markup, and its slots between them.
    """

    line: Line
    place: Place
    pieces: tuple[str | SlotName, ...]
    accepted: tuple[Acceptance, ...] = ()

    @property
    def text(self) -> str:
        """The line as a message shows it, its slots in braces."""
        return "".join(
            f"{{{piece.name}}}" if isinstance(piece, SlotName) else piece for piece in self.pieces
        )

    @property
    def quoted(self) -> str:
        """The line in quotes, no longer than a message can bear."""
        return quoted(self.text)

    def note(self, code: str, what: str, do: str, beside: WrittenLine | None = None) -> Note:
        """A note on this line; ``beside`` is the other one, where it is about two."""
        partner = None if beside is None else beside.line.key
        return Note(code, what, do, self.place, self.line.event, self.line.key, partner=partner)


@dataclass(frozen=True, slots=True)
class WrittenEvent:
    """An event with its lines; ``uses``: how often it is expected in a session, if that is said."""

    event: EventLines
    place: Place
    uses: float | None
    lines: tuple[WrittenLine, ...]
    accepted: tuple[Acceptance, ...] = ()

    def note(self, code: str, what: str, do: str) -> Note:
        return Note(code, what, do, self.place, self.event.name)


@dataclass(frozen=True, slots=True)
class WrittenSlot:
    """A slot with the places of its known values; none where any text may come."""

    name: str
    place: Place
    values: tuple[tuple[SlotValue, Place], ...]
    accepted: tuple[Acceptance, ...] = ()

    def note(self, code: str, what: str, do: str, place: Place) -> Note:
        return Note(code, what, do, place, slot=self.name)


@dataclass(frozen=True, slots=True)
class Manuscript:
    """A phrasebook with places. ``strays``: acceptances for slots that there are not."""

    book: Phrasebook
    events: tuple[WrittenEvent, ...]
    slots: Mapping[str, WrittenSlot]
    strays: tuple[Acceptance, ...] = ()

    @property
    def language(self) -> str:
        """The language without its region: ``en`` of ``en-GB``."""
        return self.book.language.split("-")[0]

    def values_in(self, line: Line, slot: str) -> tuple[SlotValue, ...]:
        """The known values of a slot with which a line may be said; none where any may come."""
        known = self.book.slot_values.get(slot) or ()
        tests = [condition for condition in line.when if condition.slot == slot]
        if not tests:
            return known
        return tuple(value for value in known if all(holds(test, value) for test in tests))

    def lines(self) -> Iterator[tuple[WrittenEvent, WrittenLine]]:
        """Every line that may be said (those of weight 0 rest), with its event."""
        for event in self.events:
            for line in event.lines:
                if line.line.weight > 0:
                    yield event, line


def manuscript(read: ReadBook) -> Manuscript:
    """The manuscript of what was read."""
    book, draft = read.book, read.draft
    events = []
    for name, found in draft.events.items():
        lines = tuple(
            WrittenLine(line, _place(found, "lines", index, "say"), pieces(line.text),
                        _accepted(found, entry.accept, "lines", index, "accept"))
            for index, (line, entry) in enumerate(
                zip(book.events[name].lines, found.entry.lines, strict=True))
        )  # fmt: skip
        events.append(WrittenEvent(
            book.events[name], _place(found, key=True), found.entry.uses, lines,
            _accepted(found, found.entry.accept, "accept")))  # fmt: skip
    accepted = {slot: _accepted(found, found.entry) for slot, found in draft.accept.items()}
    slots = {
        name: WrittenSlot(
            name, _place(slot, key=True),
            tuple((value, _place(slot, index)) for index, value in enumerate(slot.entry or ())),
            accepted.get(name, ()))
        for name, slot in draft.slots.items()
    }  # fmt: skip
    strays = [one for name, some in accepted.items() if name not in slots for one in some]
    return Manuscript(book, tuple(events), slots, tuple(strays))


def pieces(text: str) -> tuple[str | SlotName, ...]:
    """A line's words without its markup, and its slots between them."""
    names = slots_in(text)
    # Two characters for private use, which no keyboard has, hold the places of the slots.
    held = fill(text, {name: f"{_OPEN}{name}{_CLOSE}" for name in names})
    found: list[str | SlotName] = []
    for piece in _HELD.split(held):
        if piece[:1] == _OPEN:
            found.append(SlotName(piece[1:-1]))
        elif piece:
            found.append(piece)
    return tuple(found)


def _place(found: Found[Any], *more: str | int, key: bool = False) -> Place:
    mark = found.file.mark((*found.path, *more), key=key)
    return Place(found.file.file, mark.line, mark.column)


def _accepted(
    found: Found[Any], accepted: Mapping[str, str], *path: str | int
) -> tuple[Acceptance, ...]:
    return tuple(
        Acceptance(code, " ".join(reason.split()), _place(found, *path, code, key=True))
        for code, reason in accepted.items()
    )
