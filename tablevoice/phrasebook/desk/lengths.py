"""Lines that last longer than the move they go with, as they were measured.

How long a line lasts is told by the caller, from its prepared sound; what was not measured
is counted, never guessed. Knows no voice and no store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

from tablevoice.model import EventLines, Line
from tablevoice.phrasebook.desk.manuscript import Manuscript
from tablevoice.phrasebook.desk.notes import Note, quoted

Spoken: TypeAlias = tuple[EventLines, Line, str, str]
"""An event, a line of it, its text with the slots filled, and the voice that says it."""
Lasts: TypeAlias = Callable[[Spoken], "float | None"]
"""Seconds that a line lasts as it is prepared; ``None`` where it is not."""


@dataclass(slots=True)
class Measured:
    """What came of measuring: ``texts`` were measured, ``unmeasured`` were not prepared.

    ``open_lines``: keys of lines with a text that was not measured, of which nothing can be
    said for sure.
    """

    texts: int = 0
    unmeasured: int = 0
    open_lines: set[str] = field(default_factory=set)


def read_lengths(
    text: Manuscript, spoken: Iterable[Spoken], lasts: Lasts, measured: Measured
) -> Iterator[Note]:
    """Notes on lines that last too long (L301), one a line, with its longest text.

    ``spoken``: all that can be said with known slot values; what comes with an event that
    sets no ``longest_s`` is passed over. Fills ``measured``.
    """
    longest: dict[str, tuple[float, float, str, str]] = {}
    for one in spoken:
        event, line, said, voice = one
        if event.longest_s is None:
            continue
        lasts_s = lasts(one)
        if lasts_s is None:
            measured.unmeasured += 1
            measured.open_lines.add(line.key)
            continue
        measured.texts += 1
        if lasts_s > event.longest_s and lasts_s > longest.get(line.key, (0.0,))[0]:
            longest[line.key] = (lasts_s, event.longest_s, said, voice)
    for _, written in text.lines():
        if written.line.key in longest:
            lasts_s, allowed_s, said, voice = longest[written.line.key]
            yield written.note(
                "L301", f"{quoted(said)} lasts {lasts_s:.1f} s when {voice} says it, the event "
                f"allows {allowed_s:.1f} s.", "Shorten it; until then it is left out.")  # fmt: skip
