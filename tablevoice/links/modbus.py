"""The Modbus TCP link: joins the hand-shake to the table and to one of the two roles.

Knows the table as it is served and which registers are whose; frames and connections are the
roles' affair, rules the hand-shake's. Opened by ``linking``.
"""

from __future__ import annotations

import asyncio
import logging
import time
from dataclasses import replace

from tablevoice.errors import MessageRefused, Problem
from tablevoice.links import messages
from tablevoice.links.doors import Door
from tablevoice.links.messages import Outbound
from tablevoice.links.modbus_client import ModbusClient
from tablevoice.links.modbus_handshake import WORDS, Handshake
from tablevoice.links.modbus_map import RegisterMap
from tablevoice.links.modbus_server import Block, ModbusServer
from tablevoice.links.modbus_settings import ModbusEntry
from tablevoice.links.served import ServedTable

DOOR = "modbus"

# What goes wrong is reported by the link itself, once; the library would say it at every try.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())


class ModbusLink:
    """An async context manager; see ``linking.Link``. Opening raises LinkUnavailable."""

    def __init__(self, entry: ModbusEntry, table: ServedTable) -> None:
        self._table = table
        self._map = RegisterMap(entry, table.view.book)
        self._door = Door(DOOR, frozenset(entry.may))
        start = time.time_ns() // 1_000_000_000 % (WORDS - 1) + 1
        self._handshake = Handshake(self._map, frozenset(entry.may), start)
        self._commands: list[int | None] = [None] * self._map.command_count
        self._role: ModbusServer | ModbusClient
        if entry.role == "server":
            commands = Block(entry.commands_at, self._map.command_count, self._written)
            status = Block(entry.status_at, self._map.status_count, self._status)
            self._role = ModbusServer(entry, commands, status, self._write, self._report)
        else:
            self._role = ModbusClient(self._map, self._polled, self._status, self._report)

    @property
    def name(self) -> str:
        """What the table's health calls it."""
        return DOOR

    @property
    def why_down(self) -> str:
        """Why nobody is at the other end, empty while somebody is."""
        return self._role.why_down

    async def __aenter__(self) -> ModbusLink:
        self._loop = asyncio.get_running_loop()
        await self._role.__aenter__()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._role.__aexit__()

    def told(self, message: Outbound) -> None:
        """A message of the table, on its loop."""
        view = self._table.view
        if isinstance(message, messages.PhrasebookChanged):
            self._map = replace(self._map, book=view.book)
            self._handshake.use(self._map)
        if self._is_of_another(message):
            return
        if self._handshake.told(self._door.outward(message), view):
            self._loop.call_soon(self._look)  # what waited in that channel
        if isinstance(self._role, ModbusClient):
            self._role.changed()

    def _is_of_another(self, message: Outbound) -> bool:
        """Whether it tells what became of something that another peer sent."""
        return getattr(message, "id", None) is not None and not self._door.owns(message)

    # --- registers ------------------------------------------------------------------------

    def _written(self) -> list[int]:
        return [register or 0 for register in self._commands]

    def _status(self) -> list[int]:
        return self._handshake.status(self._table.now_s, self._table.view)

    def _write(self, first: int, values: list[int], age_s: float) -> None:
        self._commands[first : first + len(values)] = values
        self._look(age_s)

    def _polled(self, commands: list[int], age_s: float) -> None:
        self._commands = list(commands)
        self._look(age_s)

    def _look(self, age_s: float = 0.0) -> None:
        for asked in self._handshake.look(self._commands, self._table.now_s, age_s):
            if isinstance(asked, MessageRefused):
                self._table.refuse(self._door.refused(asked))
                continue
            try:
                self._table.receive(self._door.inward(asked))
            except MessageRefused as refused:
                self._table.refuse(self._door.refused(refused))

    def _report(self, problem: Problem) -> None:
        self._table.report_problem(problem)
