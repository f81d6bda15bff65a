"""Modbus entries for the small bench of ``paper_table``, and free ports, for several tests."""

from __future__ import annotations

import socket
from typing import Any

from tablevoice.links.modbus_map import RegisterMap
from tablevoice.links.modbus_settings import ModbusEntry, NumbersEntry, SlotEntry
from tablevoice.model import Phrasebook

NUMBERS = NumbersEntry(
    events={"done": 3, "pick": 7, "began": 9, "clear": 12, "size": 20},
    slots={
        "item": SlotEntry(place=2, values={"the mug": 5, "the lamp": 1}),
        "count": SlotEntry(place=1),
        "order": SlotEntry(place=1),
    },
    answers={"carton": 11, "pallet": 4},
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def small_map(book: Phrasebook, **settings: Any) -> RegisterMap:
    given = {"role": "server", "numbers": NUMBERS, **settings}
    return RegisterMap(ModbusEntry(**given), book)
