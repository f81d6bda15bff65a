"""Modbus entries for the small bench of ``paper_table``, a controller on paper, free ports."""

from __future__ import annotations

import socket
from typing import Any

from tablevoice.links import messages
from tablevoice.links.modbus_codes import HoldKind, Refusal, State
from tablevoice.links.modbus_handshake import Asked, Handshake
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, Command, RegisterMap, Status
from tablevoice.links.modbus_settings import ModbusEntry, NumbersEntry, SlotEntry
from tablevoice.links.rights import EVERYDAY_RIGHTS, Right
from tablevoice.model import Phrasebook, TableView

READY = messages.Ready(at_s=0.0, table="t", version="0", events=())

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


class Controller:
    """A hand-shake and the registers of the controller before it."""

    def __init__(
        self, register_map: RegisterMap, rights: frozenset[Right] = EVERYDAY_RIGHTS,
        registers: list[int | None] | None = None,
    ) -> None:  # fmt: skip
        self.map = register_map
        self.handshake = Handshake(register_map, rights, start=77)
        self.registers: list[int | None] = registers or [0] * register_map.command_count
        self.now_s = 0.0
        self.view = TableView("idle", False, False, None, register_map.book)
        self.handshake.told(READY, self.view)

    def look(self, age_s: float = 0.0) -> list[Asked]:
        return self.handshake.look(self.registers, self.now_s, age_s)

    def send(self, sequence: int, event: int, channel: int = 0, **slots: int) -> list[Asked]:
        for name, value in slots.items():
            self.registers[self.map.slot(channel, name)] = value
        self.registers[self.map.command(channel, ChannelCommand.EVENT)] = event
        self.registers[self.map.command(channel, ChannelCommand.SEQUENCE)] = sequence
        return self.look()

    def write(self, **registers: int) -> list[Asked]:
        for name, value in registers.items():
            self.registers[Command[name.upper()]] = value
        return self.look()

    def told(self, message: messages.Outbound, **view: object) -> None:
        self.handshake.told(message, TableView(**{
            "phase": "idle", "speaking": False, "busy": False, "hold": None,
            "book": self.map.book, **view}))  # type: ignore[arg-type]

    @property
    def status(self) -> list[int]:
        return self.handshake.status(self.now_s, self.view)

    def shown(self, what: ChannelStatus, channel: int = 0) -> int:
        return self.status[self.map.status(channel, what)]

    def channel(self, channel: int = 0) -> tuple[int, State, Refusal]:
        return (
            self.shown(ChannelStatus.ECHO, channel),
            State(self.shown(ChannelStatus.STATE, channel)),
            Refusal(self.shown(ChannelStatus.REFUSAL, channel)),
        )


def ask_hold(controller: Controller, kind: str) -> None:
    controller.told(messages.HoldRequest.model_validate(
        {"at_s": 1.0, "kind": kind, "phrase": kind, "certainty": 0.9}))


def hold_of(controller: Controller) -> tuple[int, HoldKind]:
    return controller.status[Status.HOLD_SEQUENCE], HoldKind(controller.status[Status.HOLD_KIND])
