"""The table as a link sees it: what may be asked of it, and nothing of how it is run.

A protocol, so that the live session, a simulated one and a test's stand-in serve alike.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from tablevoice.errors import MessageRefused, Problem
from tablevoice.links.messages import Inbound
from tablevoice.model import TableView


class ServedTable(Protocol):
    """Called from the table's own loop; nothing here waits."""

    @property
    def now_s(self) -> float:
        """Seconds since the session began."""

    @property
    def idle(self) -> bool:
        """Nothing is being said and no question is open."""

    @property
    def view(self) -> TableView:
        """How things stand, for links that show it all the time."""

    def receive(self, message: Inbound, *, worth_s: float | None = None) -> None:
        """A message that came in; ``worth_s``: how long its way says that it is worth anything."""

    def refuse(self, refused: MessageRefused) -> None:
        """Something that was to be a message and is none, or that its peer may not send."""

    def report_problem(self, problem: Problem) -> None:
        """Something beside the table went wrong: say so once."""

    def when_written(self, then: Callable[[], None]) -> None:
        """Call ``then`` on the loop once all that was taken so far is on the disk."""
