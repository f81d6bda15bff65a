"""Opens the links that a cell file names beside a running session, and closes them after it.

Knows sessions and which links there are; each link turns its own bytes into messages. The
one place where an outbound message meets all who listen. Called by ``tablevoice run`` and by
programs that open a table from Python.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeAlias

from tablevoice.links import messages
from tablevoice.links.messages import Outbound

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
    guard says.
    """

    def __init__(self, *told: Told) -> None:
        self._told = list(told)
        self._standing: dict[type[Outbound], Outbound] = {}

    def __call__(self, message: Outbound) -> None:
        if isinstance(message, (messages.Ready, messages.GuardReported)):
            self._standing[type(message)] = message
        for told in tuple(self._told):
            told(message)

    def join(self, told: Told) -> None:
        for message in self._standing.values():
            told(message)
        self._told.append(told)

    def leave(self, told: Told) -> None:
        self._told.remove(told)
