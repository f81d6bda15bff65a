"""The register map as a sheet for the controller's programmer: cautions first, then every number.

Pure: sections of rows. How they are printed is ``commands.register_map``'s affair.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tablevoice.links.modbus_codes import (
    BIT_MEANINGS,
    FATES,
    FULL_CERTAINTY,
    HOLD_KINDS,
    HOWS,
    LAYOUT_VERSION,
    NO_NUMBER,
    REFUSALS,
    STATES,
)
from tablevoice.links.modbus_handshake import ALIVE_PER_S
from tablevoice.links.modbus_map import (
    HIGHEST,
    LOWEST,
    ChannelCommand,
    ChannelStatus,
    Command,
    RegisterMap,
    Status,
)
from tablevoice.model import EventLines

CAUTIONS = (
    "This is NOT a safety function. It may be late, wrong or dead, and nothing dangerous may "
    "follow. Emergency stop and guards are hard-wired, designed to local codes by licensed "
    "practice.",
    "A hold request is a REQUEST, made of speech that may be missed. It is never the only way "
    "to stop and no lockout/tagout. That it is gone permits nothing.",
    "Only the physical reset at the machine ends a hold. HOLD_CLEARED may be written on its "
    "edge and for no other reason.",
    "Modbus TCP knows no secrets: whoever reaches the port can write. Keep this network closed.",
)

HANDSHAKE = (
    "Write the whole command block once at start and then cyclically; all zeros will do.",
    "Wait until STATE of the channel is not 0. Begin from the number in ECHO, so that no number "
    "is used twice.",
    "To send an event: write its slots, then EVENT, then, last, SEQUENCE + 1 (after 65535 "
    "comes 1, never 0). One request that writes all of them does as well.",
    "It was looked at when ECHO is your SEQUENCE. STATE says what became of it; read ECHO "
    "and the rest in one request.",
    "A channel has one event at a time: change nothing in it until STATE is done, answered or "
    "refused. The other channels are free meanwhile.",
    "The same SEQUENCE is the same event and says nothing twice. What stands in the registers "
    "when the table starts is refused with 1, never taken; START then has another number.",
    "A hold request stays in HOLD_KIND until HOLD_ACKNOWLEDGED is HOLD_SEQUENCE. Copy it in every "
    "cycle in which the cell holds, for another request may come on top.",
)


@dataclass(frozen=True, slots=True)
class Section:
    """``kind``: one short word for programs. ``key``: heading of the rows' first cell.

    Rows are (key, reference, name, meaning); the reference is "" but for registers.
    """

    title: str
    kind: str
    key: str
    rows: tuple[tuple[str, str, str, str], ...]


def head(register_map: RegisterMap, table: str) -> list[str]:
    """What the sheet is about and how to connect, a sentence each."""
    entry = register_map.entry
    place = f"{entry.host} port {entry.port}"
    told = [f"{table}: Modbus TCP register map, layout {LAYOUT_VERSION}, map "
            f"16#{register_map.check:08X}"]
    if entry.role == "server":
        who = ", ".join(entry.peers) or "this computer alone"
        told.append(f"The table is a server at {place} for {who}; unit: any. Read with function "
                    "3 or 4, write with 6, 16 or 23. One controller at a time may write.")
    else:
        told.append(f"The table is a client of {place}, unit {entry.unit}, every {entry.poll_ms} "
                    "ms. It reads with function 3 and writes with 16. The controller writes the "
                    "first block below and reads the second.")
    told.append("Addresses count from 0, as on the wire; references (40001, …) from 1. Registers "
                "are unsigned 16-bit words, whole numbers in slots two's complement.")
    return told


def sections(register_map: RegisterMap) -> list[Section]:
    """All sections, in the order in which a programmer needs them."""
    entry, book = register_map.entry, register_map.book
    numbered = sorted((number, name) for name, number in entry.numbers.events.items())
    events = [(number, book.events[name]) for number, name in numbered if name in book.events]
    return [
        Section("Registers that the controller writes", "command", "address",
                tuple(_commands(register_map, [event for _, event in events]))),
        Section("Registers that the table writes", "status", "address",
                tuple(_status(register_map))),
        Section("Events", "event", "number", tuple(
            (str(number), "", event.name, _about(register_map, event))
            for number, event in events)),
        Section("Values of slots", "value", "number", tuple(
            (str(number), "", f"{name} = {word}", "")
            for name, slot in entry.numbers.slots.items()
            for word, number in slot.values.items())),
        Section("Answers and buttons", "answer", "number", (
            ("0", "", "", "nobody answered"),
            *((str(number), "", name, "") for name, number in sorted(
                entry.numbers.answers.items(), key=lambda item: item[1])),
            (str(NO_NUMBER), "", "", "an answer that has no number in this map"))),
        *(Section(title, kind, "number", tuple(
            (str(code.value), "", code.name, meaning) for code, meaning in codes.items()))
          for title, kind, codes in _CODES),
        Section("Bits of BITS", "bit", "bit", tuple(
            (str(bit.value.bit_length() - 1), "", bit.name or "", meaning)
            for bit, meaning in BIT_MEANINGS.items())),
    ]  # fmt: skip


_CODES: tuple[tuple[str, str, Mapping[Any, str]], ...] = (
    ("STATE", "state", STATES),
    ("REFUSAL, BUTTON_REFUSAL and HOLD_CLEARED_REFUSAL", "refusal", REFUSALS),
    ("FATE of a line", "fate", FATES),
    ("HOW a question ended", "how", HOWS),
    ("HOLD_KIND", "hold", HOLD_KINDS),
)


def not_numbered(register_map: RegisterMap) -> list[str]:
    """Events that this controller can't report."""
    numbers = register_map.entry.numbers.events
    return [name for name in register_map.book.events if name not in numbers]


def _about(register_map: RegisterMap, event: EventLines) -> str:
    parts = [event.about]
    if event.slots:
        parts.append(f"Slots: {', '.join(event.slots)}.")
    if event.asks is not None:
        answers = register_map.book.questions[event.asks].answers
        parts.append(f"Asks for {', '.join(answers)}.")
    parts.append(f"Too old after {event.fresh_for_s:g} s.")
    return " ".join(part for part in parts if part)


def _commands(register_map: RegisterMap, events: Iterable[EventLines]
              ) -> Iterator[tuple[str, str, str, str]]:
    first = register_map.entry.commands_at
    may = register_map.entry.may
    general = {
        Command.BUTTON_SEQUENCE: "another number (not 0): the button of the next register was "
        "pressed" if "buttons" in may else "needs 'buttons' under 'may:'; leave it 0",
        Command.BUTTON: "number of the answer that the button stands for",
        Command.HOLD_CLEARED: "HOLD_SEQUENCE of the hold that the physical reset ended"
        if "hold_cleared" in may else "needs 'hold_cleared' under 'may:'; leave it 0",
        Command.HOLD_ACKNOWLEDGED: "HOLD_SEQUENCE of the hold request that was noticed",
    }
    for place, meaning in general.items():
        yield _register(first + place, place.name, meaning)
    needed = {name for event in events for name in event.slots}
    for channel in range(register_map.entry.channels):
        label = f"CHANNEL {channel + 1} "
        for what, meaning in ((ChannelCommand.SEQUENCE, "another number (not 0) is an event; "
                               "written last"), (ChannelCommand.EVENT, "number of the event")):
            yield _register(first + register_map.command(channel, what), label + what.name, meaning)
        for names in _by_place(register_map, needed):
            meanings = {name: _values(register_map, name) for name in names}
            yield _register(
                first + register_map.slot(channel, names[0]), f"{label}slot {' or '.join(names)}",
                meanings[names[0]] if len(names) == 1 else
                "; ".join(f"{name}: {meaning}" for name, meaning in meanings.items()))


def _by_place(register_map: RegisterMap, slots: Iterable[str]) -> list[list[str]]:
    """Slots that share a register, because no event has them both, together."""
    places: dict[int, list[str]] = {}
    for name in sorted(slots):
        places.setdefault(register_map.entry.numbers.slots[name].place, []).append(name)
    return [places[place] for place in sorted(places)]


def _values(register_map: RegisterMap, name: str) -> str:
    if register_map.entry.numbers.slots[name].values:
        return "a number from 'Values of slots'"
    known = register_map.book.slot_values.get(name)
    if known is None:
        return f"a whole number, {LOWEST} to {HIGHEST}"
    return "a whole number: " + _ranges([value for value in known if isinstance(value, int)])


def _ranges(numbers: Iterable[int]) -> str:
    """1, 2, 3, 7 as ``1–3, 7``."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(low) if low == high else f"{low} to {high}" for low, high in runs)


def _status(register_map: RegisterMap) -> Iterator[tuple[str, str, str, str]]:
    first = register_map.entry.status_at
    general = {
        Status.BUTTON_ECHO: "the newest BUTTON_SEQUENCE that was looked at",
        Status.HOLD_CLEARED_ECHO: "the newest HOLD_CLEARED that was looked at",
        Status.HOLD_SEQUENCE: "number of the newest hold request, 0 before the first",
        Status.BUTTON_REFUSAL: "why that press was not taken, 0 when it was",
        Status.HOLD_CLEARED_REFUSAL: "why that was not taken, 0 when it was",
        Status.HOLD_KIND: "what was asked for; stays until it is acknowledged. A REQUEST",
        Status.BITS: "see 'Bits of BITS'",
        Status.ALIVE: f"goes on by {ALIVE_PER_S} a second while the table is alive",
        Status.LAYOUT: f"{LAYOUT_VERSION}: the layout of both blocks",
        Status.MAP_HIGH: f"{register_map.check >> 16}: with the next one, this map's mark; "
        "another number is another map",
        Status.MAP_LOW: f"{register_map.check & 0xFFFF}",
        Status.START: "another number after each start of the table",
    }
    for place, meaning in general.items():
        yield _register(first + place, place.name, meaning)
    each = {
        ChannelStatus.ECHO: "the newest SEQUENCE that was looked at",
        ChannelStatus.STATE: "what became of that event",
        ChannelStatus.REFUSAL: "why it was refused",
        ChannelStatus.FATE: "what became of its line",
        ChannelStatus.ANSWER: "number of the answer",
        ChannelStatus.HOW: "how the question ended",
        ChannelStatus.CERTAINTY: f"0 to {FULL_CERTAINTY} ({FULL_CERTAINTY} is 100 %)",
        ChannelStatus.TRIES: "attempts by voice",
    }
    for channel in range(register_map.entry.channels):
        for what, meaning in each.items():
            yield _register(first + register_map.status(channel, what),
                            f"CHANNEL {channel + 1} {what.name}", meaning)


def _register(address: int, name: str, meaning: str) -> tuple[str, str, str, str]:
    return str(address), str(40_001 + address) if address < 9_999 else str(400_001 + address), \
        name, meaning
