"""Which numbers take which plural in a phrasebook's language, by babel's data (Unicode CLDR).

English tells one from other, German too, Polish has few and many, Arabic six; who writes the
lines names the category and need not know the numbers. Pure. The loader turns categories into
the known numbers of a slot, so that nothing of it is left when a line is chosen.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal, TypeAlias, get_args

from babel import Locale, UnknownLocaleError

from tablevoice.model import SlotValue

Category: TypeAlias = Literal["zero", "one", "two", "few", "many", "other"]
"""The plural categories of CLDR (Unicode UTS #35, part 3)."""

CATEGORIES: tuple[str, ...] = get_args(Category)


@dataclass(frozen=True, slots=True)
class Counting:
    """How a phrasebook counts: its ``language`` and the known values of its slots."""

    language: str = ""
    known: Mapping[str, Collection[SlotValue] | None] = field(default_factory=dict)

    def numbers(self, slot: str, categories: Iterable[str]) -> tuple[SlotValue, ...]:
        """The known numbers of ``slot`` in any of the categories, in the slot's order."""
        wanted = set(categories)
        return tuple(
            value
            for value in self.known.get(slot) or ()
            if isinstance(value, int) and category_of(value, self.language) in wanted
        )


@lru_cache(maxsize=16_384)
def category_of(number: int, language: str) -> str | None:
    """The plural category of a number, ``None`` where babel does not know the language."""
    locale = _locale(language)
    return None if locale is None else locale.plural_form(number)


def categories_in(language: str) -> tuple[str, ...]:
    """The categories that a language tells apart for whole numbers; none where it is unknown."""
    locale = _locale(language)
    if locale is None:
        return ()
    # Its tags leave out "other", which every language has.
    used = {*locale.plural_form.tags, "other"}
    return tuple(category for category in CATEGORIES if category in used)


@lru_cache(maxsize=64)
def _locale(language: str) -> Locale | None:
    try:
        return Locale.parse(language, sep="-") if language else None
    except (UnknownLocaleError, ValueError):
        return None
