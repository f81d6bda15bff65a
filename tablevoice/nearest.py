"""The nearest valid name to one that was not recognised, for "did you mean" in errors.

Knows likeness of spelling only. Called wherever a person or a controller gave a
name that is not among the known ones.
"""

from __future__ import annotations

from collections.abc import Iterable

from rapidfuzz import fuzz, process

LIKE_ENOUGH_PERCENT = 60.0
"""Below this likeness a suggestion misleads more than it helps."""


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name spelled most like ``name``, ``None`` when none is at all alike."""
    found = process.extractOne(
        name.casefold(),
        sorted(known),
        scorer=fuzz.ratio,
        processor=str.casefold,
        score_cutoff=LIKE_ENOUGH_PERCENT,
    )
    return None if found is None else found[0]


def advice(name: str, known: Iterable[str], *, at_most: int = 8) -> str:
    """What to do about an unknown ``name``: the nearest one, else the known ones."""
    choices = sorted(known)
    close = nearest(name, choices)
    if close is not None:
        return f"Did you mean {close!r}?"
    if not choices:
        return "None is known here."
    shown = ", ".join(choices[:at_most])
    more = ", …" if len(choices) > at_most else ""
    return f"Use one of: {shown}{more}."
