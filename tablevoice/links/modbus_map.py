"""The register map: where everything stands, and what the numbers of this cell mean.

Pure, made from a cell's Modbus entry and a phrasebook. All places follow from two first
addresses; no register moves when a phrasebook is edited, and no number is ever made up: what
the cell file does not number has none. Both roles, the hand-shake and ``tablevoice map`` go
by this.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

from tablevoice.links.modbus_codes import LAYOUT_VERSION, NO_NUMBER
from tablevoice.links.modbus_settings import MOST_PLACES, ModbusEntry
from tablevoice.model import EventLines, Phrasebook, SlotValue

LOWEST, HIGHEST = -(2**15), 2**15 - 1
"""Whole numbers that a register holds, in two's complement."""


class Command(IntEnum):
    """Registers that the controller writes, counted from the block's first."""

    BUTTON_SEQUENCE = 0
    BUTTON = 1
    HOLD_CLEARED = 2
    HOLD_ACKNOWLEDGED = 3


class ChannelCommand(IntEnum):
    """Registers of one channel that the controller writes, counted from the channel's first."""

    SEQUENCE = 0
    EVENT = 1
    SLOTS = 2


class Status(IntEnum):
    """Registers that the table writes, counted from the block's first."""

    BUTTON_ECHO = 0
    HOLD_CLEARED_ECHO = 1
    HOLD_SEQUENCE = 2
    BUTTON_REFUSAL = 3
    HOLD_CLEARED_REFUSAL = 4
    HOLD_KIND = 5
    BITS = 6
    ALIVE = 7
    LAYOUT = 8
    MAP_HIGH = 9
    MAP_LOW = 10
    START = 11


class ChannelStatus(IntEnum):
    """Registers of one channel that the table writes, counted from the channel's first."""

    ECHO = 0
    STATE = 1
    REFUSAL = 2
    FATE = 3
    ANSWER = 4
    HOW = 5
    CERTAINTY = 6
    TRIES = 7


COMMAND_HEAD, COMMAND_CHANNEL = 8, ChannelCommand.SLOTS + MOST_PLACES
STATUS_HEAD, STATUS_CHANNEL = 16, 8
"""Registers before the first channel, and of each channel; what is not named above is 0."""


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """``entry`` and what it means with ``book``. Channels count from 0 here, from 1 for people."""

    entry: ModbusEntry
    book: Phrasebook

    # --- places ---------------------------------------------------------------------

    @property
    def command_count(self) -> int:
        return COMMAND_HEAD + COMMAND_CHANNEL * self.entry.channels

    @property
    def status_count(self) -> int:
        return STATUS_HEAD + STATUS_CHANNEL * self.entry.channels

    @staticmethod
    def command(channel: int, what: ChannelCommand) -> int:
        """Place of a channel's register in the command block."""
        return COMMAND_HEAD + COMMAND_CHANNEL * channel + what

    def slot(self, channel: int, name: str) -> int:
        """Place of a slot's register in the command block."""
        place = self.entry.numbers.slots[name].place
        return self.command(channel, ChannelCommand.SLOTS) + place - 1

    @staticmethod
    def status(channel: int, what: ChannelStatus) -> int:
        """Place of a channel's register in the status block."""
        return STATUS_HEAD + STATUS_CHANNEL * channel + what

    # --- numbers --------------------------------------------------------------------

    def event(self, number: int) -> EventLines | None:
        """The event of this number; None where there is none, or no more."""
        for name, its in self.entry.numbers.events.items():
            if its == number:
                return self.book.events.get(name)
        return None

    def slot_value(self, name: str, register: int) -> SlotValue | None:
        """The slot's value that ``register`` (0 to 65535) stands for; None for none."""
        slot = self.entry.numbers.slots.get(name)
        if slot is None:
            return None
        if not slot.values:
            value = register - 2**16 if register > HIGHEST else register
            known = self.book.slot_values.get(name)
            return value if known is None or value in known else None
        for word, number in slot.values.items():
            if number == register:
                return word
        return None

    def answer_number(self, answer: str | None) -> int:
        """0 where nobody answered; ``NO_NUMBER`` for an answer that has none."""
        return 0 if answer is None else self.entry.numbers.answers.get(answer, NO_NUMBER)

    def answer(self, number: int) -> str | None:
        """The answer of this number."""
        for name, its in self.entry.numbers.answers.items():
            if its == number:
                return name
        return None

    @property
    def check(self) -> int:
        """32 bits that change whenever an address or a number does: a CRC of the whole map."""
        entry, numbers = self.entry, self.entry.numbers
        slots: Mapping[str, object] = {
            name: [slot.place, sorted([str(word), n] for word, n in slot.values.items())]
            for name, slot in numbers.slots.items()
        }
        whole = [
            LAYOUT_VERSION, entry.commands_at, entry.status_at, entry.channels,
            sorted(numbers.events.items()), sorted(numbers.answers.items()), slots,
        ]  # fmt: skip
        return zlib.crc32(json.dumps(whole, sort_keys=True, ensure_ascii=False).encode())
