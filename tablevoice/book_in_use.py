"""The phrasebook that a table speaks from, its chooser, and another one that waits to be used.

Knows when a phrasebook may take the place of another: between two lines. Knows no clock (the
time of the day is worked out by a function that is passed in), no file and no device. Called
by the table.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol, TypeAlias

from tablevoice.model import EventLines, Phrasebook, SlotValue
from tablevoice.phrasebook.choosing import Chosen, Withheld

ClockOf: TypeAlias = Callable[[float], float | None]
"""Minutes after the local midnight at a time of the session; ``None`` where nobody knows."""


def no_clock(now_s: float) -> float | None:
    """Nobody knows what time of the day it is: there are no quiet hours then."""
    return None


class LineChooser(Protocol):
    """What a table needs of a chooser; see :class:`tablevoice.phrasebook.choosing.Chooser`."""

    def choose(
        self, event: str, slots: Mapping[str, SlotValue], default_voice: str, now_s: float = ...
    ) -> Chosen: ...

    def choose_if_fit(
        self,
        event: str,
        slots: Mapping[str, SlotValue],
        default_voice: str,
        now_s: float = ...,
        clock_min: float | None = ...,
    ) -> Chosen | Withheld: ...

    def with_book(self, book: Phrasebook) -> LineChooser: ...


class BookInUse:
    """A phrasebook and what chooses its lines; ``default_voice`` speaks lines that name none."""

    def __init__(
        self, book: Phrasebook, chooser: LineChooser, default_voice: str, clock: ClockOf = no_clock
    ) -> None:
        self.book = book
        self._chooser = chooser
        self._default_voice = default_voice
        self._clock = clock
        self._next: Phrasebook | None = None

    def event(self, name: str) -> EventLines | None:
        """The event of that name, ``None`` when the phrasebook has none (any more)."""
        return self.book.events.get(name)

    def line(self, event: str, slots: Mapping[str, SlotValue], now_s: float) -> Chosen:
        """A line of ``event``, whatever taste says. Raises MessageRefused."""
        return self._chooser.choose(event, slots, self._default_voice, now_s)

    def line_if_fit(
        self, event: str, slots: Mapping[str, SlotValue], now_s: float
    ) -> Chosen | Withheld:
        """A line of ``event``, or silence where taste wants it. Raises MessageRefused."""
        return self._chooser.choose_if_fit(
            event, slots, self._default_voice, now_s, self._clock(now_s)
        )

    def bring(self, book: Phrasebook) -> None:
        """Have ``book`` used from the next :meth:`swap` on; the last one brought counts."""
        self._next = book

    def swap(self) -> bool:
        """Use the phrasebook that was brought, if one was; what was said is remembered."""
        if self._next is None:
            return False
        self.book, self._next = self._next, None
        self._chooser = self._chooser.with_book(self.book)
        return True
