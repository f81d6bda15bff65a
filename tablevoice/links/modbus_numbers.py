"""Whether the numbers of a cell file fit its phrasebook, and numbers for what has none yet.

Pure. A number is never given out silently: an edit that would make a controller say the wrong
thing is refused when the cell file is read, and proposals are only ever printed.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TypeVar

from tablevoice.links.modbus_map import HIGHEST, LOWEST, RegisterMap
from tablevoice.links.modbus_settings import (
    MOST_PLACES,
    ModbusEntry,
    NumbersEntry,
    SlotEntry,
)
from tablevoice.model import EventLines, Phrasebook, SlotValue
from tablevoice.nearest import advice

Key = TypeVar("Key", str, SlotValue)

SUGGEST = "`tablevoice map CELL.YAML --suggest` proposes numbers."


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong at ``path`` below ``links.modbus`` (at its key, when ``key``)."""

    what: str
    path: tuple[str | int, ...]
    do: str
    key: bool = False


def findings(entry: ModbusEntry, book: Phrasebook, *, guarded: bool) -> Iterator[Finding]:
    """Everything that keeps this link from opening with this phrasebook.

    ``guarded``: the cell has a stop guard.
    """
    yield from _connection_findings(entry)
    if guarded and "hold_cleared" in entry.may:
        yield Finding("a stop guard watches this cell, and it alone ends a hold.", ("may",),
                      "Leave 'hold_cleared' out, or 'guard:' where there is none.", key=True)
    if not entry.numbers.events:
        yield Finding("no event has a number, so the controller could report nothing.",
                      ("numbers",), SUGGEST)
    yield from _event_findings(entry.numbers, book)
    yield from _slot_findings(entry.numbers, book)
    yield from _answer_findings(entry.numbers, book)


def suggested(numbers: NumbersEntry, book: Phrasebook, *, guarded: bool) -> NumbersEntry:
    """``numbers`` with new ones, above the highest there is, for all that has none.

    Nothing that has a number gets another. Events that only the table itself says (asking
    again, replies to standing commands, news of a stop guard) are left out. Slots that may
    hold any text stay numbers.
    """
    events = _numbered(numbers.events, (
        name for name in book.events if name not in _own_events(book, guarded=guarded)))
    reported = [book.events[name] for name in events if name in book.events]
    slots = dict(numbers.slots)
    for name in dict.fromkeys(slot for event in reported for slot in event.slots):
        before = slots.get(name)
        place = _free_place(name, slots, reported) if before is None else before.place
        values = dict(before.values) if before is not None else {}
        known = book.slot_values.get(name)
        if known is not None and not _whole_numbers(known):
            values = _numbered(values, known)
        slots[name] = SlotEntry(place=min(place, MOST_PLACES), values=values)
    answers = _numbered(numbers.answers, (
        answer for event in reported if event.asks is not None
        for answer in book.questions[event.asks].answers))
    return NumbersEntry(events=events, slots=slots, answers=answers)


# --- what is wrong ----------------------------------------------------------------------


def _connection_findings(entry: ModbusEntry) -> Iterator[Finding]:
    register_map = RegisterMap(entry, Phrasebook("", "en", {}, {}, {}, {}))
    commands = range(entry.commands_at, entry.commands_at + register_map.command_count)
    status = range(entry.status_at, entry.status_at + register_map.status_count)
    for name, block in (("commands_at", commands), ("status_at", status)):
        if block.stop > 2**16:
            yield Finding(f"{len(block)} registers from {block.start} on end beyond 65535.",
                          (name,), "Begin lower.")
    if commands.start < status.stop and status.start < commands.stop:
        yield Finding(
            f"the table's {len(status)} registers from {status.start} on overlap the "
            f"controller's {len(commands)} from {commands.start} on.", ("status_at",),
            f"Begin at {commands.stop} or later.")
    if entry.role != "server":
        if entry.peers:
            yield Finding("a client connects itself, so nobody else may.", ("peers",),
                          "Leave 'peers' out, or choose 'role: server'.", key=True)
        return
    try:
        own = ipaddress.ip_address(entry.host)
    except ValueError:
        yield Finding(f"found {entry.host!r} for an address of this computer.", ("host",),
                      "Write an IP address: 127.0.0.1, or that of one network card.")
        return
    if not own.is_loopback and not entry.peers:
        yield Finding(
            f"at {entry.host} every computer of that network could send events.", ("host",),
            "Name the controller's address under 'peers:'. Modbus knows no secrets: keep the "
            "network closed, or use 127.0.0.1.")


def _event_findings(numbers: NumbersEntry, book: Phrasebook) -> Iterator[Finding]:
    for name in numbers.events:
        if name not in book.events:
            yield Finding(
                f"the phrasebooks have no event {name!r}.", ("numbers", "events", name),
                advice(name, book.events) + " A number that was used once is best left unused.",
                key=True)
    yield from _twice(numbers.events, ("numbers", "events"))


def _slot_findings(numbers: NumbersEntry, book: Phrasebook) -> Iterator[Finding]:
    reported = _reported(numbers, book)
    for event in reported:
        for slot in event.slots:
            if slot not in numbers.slots:
                yield Finding(
                    f"event {event.name!r} needs the slot {slot!r}, which has no place.",
                    ("numbers", "events", event.name), f"Add it under 'slots:'. {SUGGEST}",
                    key=True)
        placed = [slot for slot in event.slots if slot in numbers.slots]
        for at, slot in enumerate(placed):
            place = numbers.slots[slot].place
            for other in placed[:at]:
                if numbers.slots[other].place == place:
                    yield Finding(
                        f"slots {other!r} and {slot!r} of event {event.name!r} have the same "
                        f"place {place}.", ("numbers", "slots", slot, "place"),
                        f"Give one of them another, from 1 to {MOST_PLACES}.")
    for name, entry in numbers.slots.items():
        if name not in book.slot_values:
            yield Finding(f"the phrasebooks have no slot {name!r}.", ("numbers", "slots", name),
                          advice(name, book.slot_values), key=True)
        else:
            yield from _value_findings(name, entry, book.slot_values[name])


def _value_findings(
    name: str, entry: SlotEntry, known: tuple[SlotValue, ...] | None
) -> Iterator[Finding]:
    at = ("numbers", "slots", name)
    yield from _twice(entry.values, (*at, "values"))
    if known is None:
        return  # any short text: the words that are numbered, or whole numbers
    if _whole_numbers(known):
        if entry.values:
            yield Finding(f"the values of slot {name!r} are whole numbers and stand in the "
                          "register as they are.", (*at, "values"), "Leave 'values' out.", key=True)
        large = [value for value in known
                 if isinstance(value, int) and not LOWEST <= value <= HIGHEST]
        if large:
            yield Finding(f"slot {name!r} can be {large[0]}, which no register holds.", at,
                          f"Use numbers from {LOWEST} to {HIGHEST}.", key=True)
        return
    for value in known:
        if value not in entry.values:
            yield Finding(f"slot {name!r} can be {value!r}, which has no number.", at,
                          f"Add it under 'values:'. {SUGGEST}", key=True)
    for value in entry.values:
        if value not in known:
            yield Finding(f"slot {name!r} cannot be {value!r}.", (*at, "values", value),
                          advice(str(value), [str(one) for one in known]), key=True)


def _answer_findings(numbers: NumbersEntry, book: Phrasebook) -> Iterator[Finding]:
    answers = [answer for question in book.questions.values() for answer in question.answers]
    for name in numbers.answers:
        if name not in answers:
            yield Finding(f"no question has the answer {name!r}.", ("numbers", "answers", name),
                          advice(name, answers), key=True)
    yield from _twice(numbers.answers, ("numbers", "answers"))
    for event in _reported(numbers, book):
        if event.asks is None:
            continue
        for answer in book.questions[event.asks].answers:
            if answer not in numbers.answers:
                yield Finding(
                    f"event {event.name!r} asks for {answer!r}, which has no number.",
                    ("numbers", "answers"), f"Add it under 'answers:'. {SUGGEST}", key=True)


def _twice(numbers: Mapping[Key, int], at: tuple[str, ...]) -> Iterator[Finding]:
    first: dict[int, Key] = {}
    for name, number in numbers.items():
        if number in first:
            yield Finding(f"number {number} is that of {first[number]!r} already.", (*at, name),
                          f"Use one of its own; {max(numbers.values()) + 1} is free.")
        first.setdefault(number, name)


def _reported(numbers: NumbersEntry, book: Phrasebook) -> list[EventLines]:
    return [book.events[name] for name in numbers.events if name in book.events]


# --- proposals --------------------------------------------------------------------------


def _numbered(before: Mapping[Key, int], names: Iterable[Key]) -> dict[Key, int]:
    """``before``, and the next numbers for other names. A gap may be a number that was used."""
    numbers = dict(before)
    for name in names:
        if name not in numbers:
            numbers[name] = max(numbers.values(), default=0) + 1
    return numbers


def _free_place(name: str, slots: Mapping[str, SlotEntry], events: Iterable[EventLines]) -> int:
    """A place that no other slot has; else one that no slot of the same events has."""
    taken = {slot.place for slot in slots.values()}
    free = max(taken, default=0) + 1
    if free <= MOST_PLACES:
        return free
    beside = {slots[other].place for event in events if name in event.slots
              for other in event.slots if other in slots}
    return next((place for place in range(1, MOST_PLACES + 1) if place not in beside), free)


def _own_events(book: Phrasebook, *, guarded: bool) -> set[str | None]:
    """Events that the table says by itself."""
    own: set[str | None] = {command.says for command in book.standing.values()}
    for question in book.questions.values():
        own |= {question.ask_again, question.waited, question.confirm, question.give_up}
    return own | set(book.stop_guard.values() if guarded else ())


def _whole_numbers(known: Iterable[SlotValue]) -> bool:
    return all(isinstance(value, int) for value in known)
