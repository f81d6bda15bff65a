"""Reads a whole phrasebook at the desk: all readers, what was accepted, in the order of the files.

Knows every reader of this room and no rule of its own. Called by ``tablevoice check``, which
hands it the cell's wishes and, where sounds are prepared, how long each line lasts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tablevoice.phrasebook.desk.acceptances import accepted
from tablevoice.phrasebook.desk.agreement import read_agreement
from tablevoice.phrasebook.desk.codes import Severity
from tablevoice.phrasebook.desk.fitness import read_fitness
from tablevoice.phrasebook.desk.freshness import read_freshness, without_uses
from tablevoice.phrasebook.desk.house_style import HouseStyle
from tablevoice.phrasebook.desk.lengths import Lasts, Measured, Spoken, read_lengths
from tablevoice.phrasebook.desk.likeness import read_likeness
from tablevoice.phrasebook.desk.manuscript import Manuscript
from tablevoice.phrasebook.desk.mispronounced import read_mispronounced
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.desk.self_hearing import read_self_hearing
from tablevoice.phrasebook.desk.word_lists import FitFor


@dataclass(frozen=True, slots=True)
class Reading:
    """Everything that the desk has to say. ``events_without_uses``: nobody said how often they
    come, so nothing was said of how soon their lines come back."""

    notes: tuple[Note, ...]
    lines: int
    texts_measured: int
    texts_unmeasured: int
    events_without_uses: tuple[str, ...]

    @property
    def open_notes(self) -> tuple[Note, ...]:
        """The notes that nobody accepted."""
        return tuple(note for note in self.notes if note.accepted is None)

    def count(self, severity: Severity) -> int:
        return sum(note.severity is severity for note in self.open_notes)


def read(
    text: Manuscript,
    style: HouseStyle,
    words: Mapping[str, FitFor],
    spoken: Iterable[Spoken] = (),
    lasts: Lasts = lambda one: None,
) -> Reading:
    """Have every reader look at the manuscript.

    ``words``: the word lists in the manuscript's language; ``spoken``, ``lasts``: see
    :func:`tablevoice.phrasebook.desk.lengths.read_lengths`.
    """
    measured = Measured()
    notes = [
        *read_freshness(text, style),
        *read_likeness(text),
        *read_lengths(text, spoken, lasts, measured),
        *read_self_hearing(text),
        *read_mispronounced(text),
        *read_fitness(text, words, style.audience),
        *read_agreement(text),
    ]
    told = accepted(text, notes, unmeasured=measured.open_lines)
    return Reading(
        tuple(sorted(told, key=lambda note: (note.place, note.code))),
        sum(len(event.lines) for event in text.events),
        measured.texts,
        measured.unmeasured,
        tuple(without_uses(text, style)),
    )
