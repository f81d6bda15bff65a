"""Slots of lines: what may stand in them, which lines they allow, the text they make.

A slot's value comes from a controller and is data: braces in it are never filled in
again, marks in it are never markup, control characters are refused. Pure; the chooser,
the preparation of lines and the links' checks call it.
"""

from __future__ import annotations

import re
import unicodedata
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import TypeAlias

from tablevoice import markup
from tablevoice.errors import MessageRefused
from tablevoice.model import Condition, EventLines, Line, Phrasebook, SlotValue
from tablevoice.nearest import advice
from tablevoice.phrasebook.schema import MAX_SLOT_TEXT

SlotValues: TypeAlias = Mapping[str, tuple[SlotValue, ...] | None]
"""The known values of each slot; ``None`` where any short text may come."""

MAX_SLOT_INT = 2**63 - 1

_TOKEN = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
_UNSPEAKABLE = ("Cc", "Cs", "Zl", "Zp")
"""Unicode's control characters, lone surrogates, line and paragraph separators."""


@dataclass(frozen=True, slots=True)
class SlotName:
    """A place in a text that is filled from the slot ``name``."""

    name: str


@lru_cache(maxsize=16_384)
def parsed(text: str) -> tuple[str | SlotName, ...]:
    """A line's text as plain pieces and slots; ``{{`` and ``}}`` are plain braces.

    Raises ValueError, saying what is wrong with the braces.
    """
    pieces: list[str | SlotName] = []
    end = 0
    for token in _TOKEN.finditer(text):
        if token.start() > end:
            pieces.append(text[end : token.start()])
        end = token.end()
        name = token.group(1)
        if name is not None:
            if not name.isidentifier():
                raise ValueError(f"'{{{name}}}' is no slot")
            pieces.append(SlotName(name))
        elif len(token.group()) == 2:
            pieces.append(token.group()[0])
        else:
            raise ValueError(f"the brace '{token.group()}' has no partner")
    if end < len(text):
        pieces.append(text[end:])
    return tuple(pieces)


def slots_in(text: str) -> tuple[str, ...]:
    """Names of the slots that a text uses, each once, in order. Raises ValueError as `parsed`."""
    return tuple(dict.fromkeys(
        piece.name for piece in parsed(text) if isinstance(piece, SlotName)))


def fill(text: str, slots: Mapping[str, SlotValue]) -> str:
    """The words of a line with its slots filled in, without its markup.

    Raises MessageRefused for a slot that has no value or one that cannot be said.
    """
    return markup.words_alone(_filled(text, slots))


def fill_marked(text: str, slots: Mapping[str, SlotValue]) -> str:
    """As :func:`fill`, with the line's own markup; whatever a value holds is plain words in it."""
    return markup.written(_filled(text, slots))


def check_markup(text: str) -> None:
    """Raises :class:`tablevoice.markup.MarkupError` with the place in ``text``; braces are right.

    A slot may stand between two marks, never inside one.
    """
    markup.parse(_TOKEN.sub(lambda token: "x" * len(token.group()), text))


_PLACE = re.compile(r"\0([0-9]+)\0")


@lru_cache(maxsize=16_384)
def _template(text: str) -> tuple[markup.Pieces, tuple[str, ...]]:
    """The pieces of a line with numbered places for its slots, and the slots' names.

    Markup is parsed before any value is there, so that no value can ever be part of it.
    """
    names: list[str] = []
    marked = []
    for piece in parsed(text):
        if isinstance(piece, str):
            marked.append(piece)
        else:
            marked.append(f"\0{len(names)}\0")
            names.append(piece.name)
    return markup.parse("".join(marked)), tuple(names)


def _filled(text: str, slots: Mapping[str, SlotValue]) -> markup.Pieces:
    pieces, names = _template(text)
    values = []
    for name in names:
        if name not in slots:
            raise MessageRefused(f"slot {name!r} has no value.", where=f"slots.{name}",
                                 do="Send it with the event.")
        values.append(sayable(name, slots[name]))
    if not values:
        return pieces
    filled: list[markup.Piece] = []
    for index, piece in enumerate(pieces):
        if isinstance(piece, markup.Words):
            words = _PLACE.sub(lambda place: values[int(place[1])], piece.text)
            if index == 0 and piece.text.startswith("\0"):
                # A sentence begins with a capital letter, whatever the slot's value does.
                words = words[:1].upper() + words[1:]
            filled.append(replace(piece, text=words))
        else:
            filled.append(piece)
    return tuple(filled)


def sayable(slot: str, value: SlotValue) -> str:
    """A slot's value as text.

    Raises MessageRefused: neither text nor whole number, empty, over ``MAX_SLOT_TEXT``
    characters, or with control characters.
    """
    problem = unsayable(value)
    if problem is not None:
        raise MessageRefused(f"slot {slot!r}: {problem[0]}.", where=f"slots.{slot}", do=problem[1])
    return str(value)


def unsayable(value: object) -> tuple[str, str] | None:
    """What is wrong with a slot's value and what would be right; ``None`` when nothing is."""
    if isinstance(value, bool) or not isinstance(value, (str, int)):
        return (f"found {type(value).__name__} for a value", "Use a text or a whole number.")
    if isinstance(value, int):
        if abs(value) > MAX_SLOT_INT:  # an int beyond some thousand digits cannot even be shown
            return ("the number is too large", "Use one of at most 18 digits.")
        return None
    if not value.strip():
        return ("the text is empty", "Use a text that can be said.")
    if len(value) > MAX_SLOT_TEXT:
        return (f"the text is {len(value)} characters long",
                f"Use at most {MAX_SLOT_TEXT} characters.")
    for character in value:
        if unicodedata.category(character) in _UNSPEAKABLE:
            return (f"the text holds the control character U+{ord(character):04X}", "Take it out.")
    return None


def holds(condition: Condition, value: SlotValue) -> bool:
    """Whether a slot's value meets a condition; bounds are met by numbers only."""
    if condition.among is not None and value not in condition.among:
        return False
    if value in condition.not_among:
        return False
    if condition.at_least is not None and (isinstance(value, str) or value < condition.at_least):
        return False
    return not (condition.at_most is not None
                and (isinstance(value, str) or value > condition.at_most))


def related(condition: Condition, value: SlotValue, other: SlotValue) -> bool:
    """Whether a value stands to that of another slot as a condition wants it."""
    match condition.relation:
        case None:
            return True
        case "=":
            return value == other
        case "!=":
            return value != other
    if isinstance(value, str) or isinstance(other, str):
        return False  # there is no more and less between texts
    match condition.relation:
        case "<":
            return value < other
        case "<=":
            return value <= other
        case ">":
            return value > other
        case _:
            return value >= other


def eligible(line: Line, slots: Mapping[str, SlotValue]) -> bool:
    """Whether all conditions of a line hold; one on a slot without a value does not."""
    return all(met(condition, slots) for condition in line.when)


def met(condition: Condition, slots: Mapping[str, SlotValue]) -> bool:
    """Whether one condition holds; one on a slot without a value does not."""
    if condition.slot not in slots or not holds(condition, slots[condition.slot]):
        return False
    if condition.other is None:
        return True
    return condition.other in slots and related(
        condition, slots[condition.slot], slots[condition.other])


def voice_slot(voice: str | None) -> str | None:
    """The slot that names the voice (``{arm}`` -> ``arm``), ``None`` when none does."""
    if voice is not None and voice.startswith("{") and voice.endswith("}"):
        return voice[1:-1]
    return None


def voice_of(line: Line, slots: Mapping[str, SlotValue], default: str) -> str:
    """Who says a line: its voice, the value of the slot that names it, or ``default``.

    Raises MessageRefused when that slot has no value.
    """
    if line.voice is None:
        return default
    slot = voice_slot(line.voice)
    if slot is None:
        return line.voice
    if slot not in slots:
        raise MessageRefused(f"slot {slot!r} has no value and names the voice.",
                             where=f"slots.{slot}", do="Send it with the event.")
    return sayable(slot, slots[slot])


def fillings(
    event_lines: EventLines, slot_values: SlotValues, limit: int, default_voice: str = ""
) -> Iterator[tuple[Line, dict[str, SlotValue], str, str]]:
    """Every text that can be said with known values: (line, slots, text, voice), at most ``limit``.

    Each line gives its first text before any gives its second, so that a small limit
    is shared out. Lines that need a slot without known values, and those of weight 0,
    give none. The same marked text by the same voice comes once. ``default_voice`` stands for
    the table's first voice.
    """
    seen: set[tuple[str, str]] = set()
    waiting = deque(
        (line, _choices(line, slot_values)) for line in event_lines.lines if line.weight > 0
    )
    while waiting and len(seen) < limit:
        line, choices = waiting.popleft()
        slots = next(choices, None)
        if slots is None:
            continue
        waiting.append((line, choices))
        text, voice = fill(line.text, slots), voice_of(line, slots, default_voice)
        said = (fill_marked(line.text, slots), voice)
        if said not in seen:
            seen.add(said)
            yield line, slots, text, voice


def marked_texts(book: Phrasebook, limit: int) -> dict[str, str]:
    """Every text of marked lines that can be said with known values, and the same with its marks.

    Lines without marks are left out: they are said as they stand.
    """
    found: dict[str, str] = {}
    for event in book.events.values():
        marked = tuple(line for line in event.lines if markup.is_marked(line.text))
        if marked:
            for line, slots, text, _ in fillings(
                    replace(event, lines=marked), book.slot_values, limit):
                found.setdefault(text, fill_marked(line.text, slots))
    return found


def _choices(line: Line, slot_values: SlotValues) -> Iterator[dict[str, SlotValue]]:
    """The values of known slots that a line uses anywhere and that let it be said."""
    spoken = set(slots_in(line.text)) | ({voice_slot(line.voice)} - {None})
    names = sorted(name for name in spoken if name is not None)
    if any(slot_values.get(name) is None for name in names):
        return
    tested = {slot for condition in line.when for slot in (condition.slot, condition.other)
              if slot is not None and slot_values.get(slot) is not None}
    names += sorted(tested - set(names))
    between = [condition for condition in line.when
               if condition.slot in names and condition.other in names]
    tests: dict[str, list[Condition]] = {}
    for condition in line.when:
        tests.setdefault(condition.slot, []).append(condition)
    allowed = [
        [value for value in slot_values[name] or ()
         if all(holds(condition, value) for condition in tests.get(name, ()))]
        for name in names
    ]
    for values in product(*allowed):
        chosen = dict(zip(names, values, strict=True))
        if all(met(condition, chosen) for condition in between):
            yield chosen


def check_slots(
    event_lines: EventLines, slot_values: SlotValues, slots: Mapping[str, SlotValue]
) -> None:
    """Check what a controller sent with an event.

    Raises MessageRefused for a missing slot, one that the event does not have, or a
    value that its slot does not know; the message names the nearest valid one.
    """
    event = f"event {event_lines.name!r}"
    for name in slots:
        if name not in event_lines.slots:
            do = advice(str(name)[:80], event_lines.slots) if event_lines.slots else \
                "Send it without slots."
            raise MessageRefused(f"{event} has no slot {str(name)[:80]!r}.", where="slots", do=do)
    for name in event_lines.slots:
        if name not in slots:
            raise MessageRefused(f"{event} needs the slot {name!r}.", where="slots",
                                 do=_example(name, slot_values.get(name)))
        value = slots[name]
        sayable(name, value)
        known = slot_values.get(name)
        if known is not None and value not in known:
            raise MessageRefused(f"slot {name!r} cannot be {value!r}.", where=f"slots.{name}",
                                 do=nearest_value(value, known))


def nearest_value(value: SlotValue, known: tuple[SlotValue, ...]) -> str:
    """What to do about a value that a slot does not know."""
    for other in known:
        if str(other) == str(value):
            kind = "number, without quotes" if isinstance(other, int) else "text, in quotes"
            return f"Write it as a {kind}."
    if isinstance(value, int) and all(isinstance(other, int) for other in known):
        shown = ", ".join(map(str, known[:12])) + (", …" if len(known) > 12 else "")
        return f"Use one of: {shown}."
    return advice(str(value), [str(other) for other in known])


def _example(name: str, known: tuple[SlotValue, ...] | None) -> str:
    return f"Send it: {name}={known[0] if known else '…'}."
