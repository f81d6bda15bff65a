"""What must hold for a line to be said, gathered from its ``when``, its mood and ``only``.

Turns entries of a file into the model's conditions. Called by the loader, which puts them
into lines, and by the check that every event can always be said.
"""

from __future__ import annotations

from collections.abc import Mapping

from tablevoice.model import Condition
from tablevoice.phrasebook.plurals import Counting
from tablevoice.phrasebook.schema import ConditionEntry, EventEntry, LineEntry
from tablevoice.phrasebook.slots import voice_slot

Moods = Mapping[str, tuple[Condition, ...]]
NO_COUNTING = Counting()


def conditions_of(
    event: EventEntry, line: LineEntry, moods: Moods, counting: Counting = NO_COUNTING
) -> tuple[Condition, ...]:
    """All conditions of a line; a mood that could not be read adds none.

    ``counting`` says which known numbers of a slot take a plural that a condition names.
    """
    found = [_condition(slot, test, counting) for slot, test in line.when.items()]
    if line.mood is not None:
        found += moods.get(line.mood, ())
    slot = voice_slot(voice_named(event, line))
    if line.only is not None and slot is not None:
        found.append(Condition(slot, among=tuple(line.only)))
    return tuple(dict.fromkeys(found))


def voice_named(event: EventEntry, line: LineEntry) -> str | None:
    """The voice that a line or else its event names."""
    return line.voice if line.voice is not None else event.voice


def _condition(slot: str, test: ConditionEntry, counting: Counting) -> Condition:
    among = None if test.among is None else tuple(test.among)
    if test.plural is not None:
        counted = counting.numbers(slot, test.plural)
        among = counted if among is None else tuple(value for value in among if value in counted)
    return Condition(
        slot=slot,
        among=among,
        not_among=tuple(test.not_among or ()),
        at_least=test.at_least,
        at_most=test.at_most,
    )
