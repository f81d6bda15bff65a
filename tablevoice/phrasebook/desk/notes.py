"""One remark of the desk: what is amiss, where it stands, the one thing to do about it.

Plain values that readers make and reports show. Whether a remark was accepted is added by
``acceptances``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tablevoice.errors import Problem
from tablevoice.phrasebook.desk.codes import FILE_REFUSED, RULES, Severity

MOST_QUOTED = 60

_PLACE = re.compile(r"(?P<file>.+):(?P<line>\d+):(?P<column>\d+)")


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A place in a file; line and column count from 1, columns in characters."""

    file: str
    line: int = 1
    column: int = 1

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"

    @classmethod
    def read(cls, where: str) -> Place | None:
        """The place that a problem's ``where`` names; ``None`` when it is no place in a file."""
        found = _PLACE.fullmatch(where)
        return (
            None if found is None else cls(found["file"], int(found["line"]), int(found["column"]))
        )


@dataclass(frozen=True, slots=True)
class Note:
    """A finding. ``event``, ``line_key`` and ``slot`` say what of the phrasebook it is about.

    ``partner``: the key of the other line, where two are held side by side. ``accepted``: the
    reason for which it is right as it is.
    """

    code: str
    what: str
    do: str
    place: Place
    event: str | None = None
    line_key: str | None = None
    slot: str | None = None
    partner: str | None = None
    accepted: str | None = None

    @property
    def severity(self) -> Severity:
        return RULES[self.code].severity


def refusal(problem: Problem) -> Note | None:
    """What made a file unusable, as a note; ``None`` when it names no place in a file."""
    place = Place.read(problem.where)
    if place is None:
        return None
    return Note(problem.code or FILE_REFUSED, problem.what, problem.do, place)


def quoted(text: str) -> str:
    """A text in quotes, cut where it is long: the place says where all of it stands."""
    short = text if len(text) <= MOST_QUOTED else f"{text[: MOST_QUOTED - 1].rstrip()}…"
    return f"“{short}”"


def several(words: list[str], most: int = 4) -> str:
    """Words as a message lists them, in quotes."""
    shown = ", ".join(f"“{word}”" for word in words[:most])
    return shown + (f" and {len(words) - most} more" if len(words) > most else "")
