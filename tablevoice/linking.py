"""Opens the links that a cell file names beside a running session, and closes them after it.

Knows sessions and which links there are; each link turns its own bytes into messages. The
one place where an outbound message meets all who listen. Called by ``tablevoice run`` and by
programs that open a table from Python.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Protocol, TypeAlias

from tablevoice.cell import Cell, load_cell
from tablevoice.errors import FileRefused, Problem
from tablevoice.links import messages
from tablevoice.links.messages import Outbound
from tablevoice.links.modbus_settings import ModbusEntry
from tablevoice.links.served import ServedTable
from tablevoice.session import Session

Told: TypeAlias = Callable[[Outbound], None]
"""Called on the session's loop; must return soon."""


class Link(Protocol):
    """A way in and out, an async context manager; ``told`` is called from the session's loop."""

    async def __aenter__(self) -> Link: ...

    async def __aexit__(self, *_: object) -> None: ...

    def told(self, message: Outbound) -> None: ...


class Audience:
    """Everybody who is told what the table says.

    Whoever joins late is told at once how things stand: what the table knows, what the
    guard says; and, until ``complete``, what went wrong while it opened.
    """

    def __init__(self, *told: Told) -> None:
        self._told = list(told)
        self._standing: dict[type[Outbound], Outbound] = {}
        self._problems: list[Outbound] | None = []

    def __call__(self, message: Outbound) -> None:
        if isinstance(message, (messages.Ready, messages.GuardReported)):
            self._standing[type(message)] = message
        elif isinstance(message, messages.ErrorReported) and self._problems is not None:
            self._problems.append(message)
        for told in tuple(self._told):
            told(message)

    def join(self, told: Told) -> None:
        for message in (*self._standing.values(), *(self._problems or ())):
            told(message)
        self._told.append(told)

    def complete(self) -> None:
        """Nobody else joins who should know what went wrong before."""
        self._problems = None

    def leave(self, told: Told) -> None:
        self._told.remove(told)


@asynccontextmanager
async def open_links(session: Session, audience: Audience) -> AsyncIterator[list[Link]]:
    """The links that the cell file names, open and told of everything while this is entered.

    The table closes before they do, so that they still tell what became of open events.
    """
    async with AsyncExitStack() as opening:
        links = links_of(session.cell, session)
        for link in links:
            await opening.enter_async_context(link)
            audience.join(link.told)
            opening.callback(audience.leave, link.told)
        audience.complete()
        try:
            yield links
        finally:
            if not session.closed.is_set():
                session.receive(messages.Close())


def links_of(cell: Cell, table: ServedTable) -> list[Link]:
    """A link for each entry under the cell's ``links:``."""
    links: list[Link] = []
    if cell.links.mqtt is not None:
        try:
            from tablevoice.links.mqtt_link import MqttLink
        except ImportError as error:
            raise FileRefused([Problem(
                f"there is a link over MQTT, and a part of it is missing: {error.name}.",
                f"{cell.path}: links.mqtt", "Install it with: pip install 'tablevoice[mqtt]'.",
            )]) from error  # fmt: skip
        links.append(MqttLink(cell.links.mqtt, cell.table, cell.path.parent, table))
    if cell.links.modbus is not None:
        links.append(_open_modbus(cell.links.modbus, table))
    return links


def _open_modbus(entry: ModbusEntry, table: ServedTable) -> Link:
    from tablevoice.links.modbus import ModbusLink

    return ModbusLink(entry, table)


def open_table(
    cell_file: Path | str, told: Told = lambda message: None, *, record_folder: Path | None = None
) -> AbstractAsyncContextManager[Session]:
    """The table of a cell file with its links, to be opened with ``async with``.

    ``told`` is called with every message. Raises FileRefused.
    """
    return _open_table(load_cell(Path(cell_file)), told, record_folder)


@asynccontextmanager
async def _open_table(
    cell: Cell, told: Told, record_folder: Path | None
) -> AsyncIterator[Session]:
    audience = Audience(told)
    async with (
        Session(cell, audience, record_folder=record_folder) as session,
        open_links(session, audience),
    ):
        yield session
