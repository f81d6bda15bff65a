"""Takes messages from the intake into a session, on its loop, no faster than they can be used.

Knows when a table has room for more and how long the loop may be kept; the rule of what is
refused is the intake's. ``tablevoice run`` has one.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from tablevoice.errors import MessageRefused, Problem
from tablevoice.links.intake import Intake, Item
from tablevoice.links.json_lines import error_of
from tablevoice.links.messages import EventReported, Outbound
from tablevoice.model import Priority
from tablevoice.session import Session

TURN_S = 0.005
"""So long may one turn of the loop be: what sounds and what is heard waits meanwhile."""

LOOK_S = 0.05
"""How often room is looked for while something waits for it."""

CROWDED_EVERY_S = 0.1
"""A crowded table takes an event in so often, in the place of the oldest that waits."""

TELL_EVERY_S = 1.0

MOST_UNREAD = 2_000
"""Answers that nobody has read yet; then refusals wait, and with them the reader and its pipe."""

UNREAD_FOR_S = 2.0
"""So long at most: a controller that writes before it reads must not wait for us for ever."""


class TakingIn:
    """``put`` may be called on any one thread; all else happens on the loop that made this.

    ``tell`` has each refused event answered; ``unread`` says how many answers nobody has read
    yet, so that none is given up for want of a reader who is only slower. Besides, once a
    second, the session is told how many there were: ten thousand a second are not to fill its
    record.
    """

    def __init__(
        self,
        session: Session,
        tell: Callable[[Outbound], None],
        over: Callable[[], None],
        unread: Callable[[], int] = lambda: 0,
    ) -> None:
        self._session = session
        self._tell = tell
        self._over = over
        self._unread = unread
        self._read_s = 0.0
        self._ended = False
        self._loop = asyncio.get_running_loop()
        self._intake = Intake(self._priority_of, self._wake)
        self._turn: asyncio.Handle | None = None
        self._waking = False
        self._crowded_until_s = 0.0
        self._refused = 0
        self._told_s = 0.0

    def put(self, item: Item | None) -> None:
        """A message, or the end of the input."""
        if item is None:
            self._loop.call_soon_threadsafe(self._end)
        else:
            self._intake.put(item, time.monotonic())

    def _priority_of(self, event: str) -> Priority | None:
        known = self._session.cell.phrasebook.events.get(event)
        return None if known is None else known.priority

    def _wake(self) -> None:
        if not self._waking:
            self._waking = True
            self._loop.call_soon_threadsafe(self._soon)

    def _soon(self) -> None:
        self._waking = False
        if self._turn is not None:
            self._turn.cancel()  # what came may be urgent: not at the next look, but now
        self._turn = self._loop.call_soon(self._take)

    def _end(self) -> None:
        self._ended = True
        self._soon()

    def _take(self) -> None:
        self._turn = None
        now_s = time.monotonic()
        until_s = now_s + TURN_S
        self._intake.refuse_late(now_s)
        if self._unread() <= MOST_UNREAD:
            self._read_s = now_s
        if now_s - self._read_s <= 0.0 or now_s - self._read_s > UNREAD_FOR_S:
            self._refuse(self._intake.refusals(), now_s)
        while (item := self._next(time.monotonic())) is not None:
            self._hand_over(item)
            if time.monotonic() > until_s:
                break
        if len(self._intake) or self._refused:
            self._turn = self._loop.call_later(0.0 if item is not None else LOOK_S, self._take)
        elif self._ended:
            self._over()

    def _next(self, now_s: float) -> Item | None:
        session = self._session
        if session.room_for(Priority.WARNING):
            item = self._intake.urgent()
            if item is not None:
                return item
        crowded = not session.room_for(Priority.BANTER)
        if crowded:
            if now_s < self._crowded_until_s:
                return None
            self._crowded_until_s = now_s + CROWDED_EVERY_S
        return self._intake.event(crowded=crowded)

    def _hand_over(self, item: Item) -> None:
        session = self._session
        if session.closed.is_set():
            if isinstance(item, EventReported):
                closed = MessageRefused("the session is over.", where=f"event {item.id!r}",
                                        do="Start a new one.", message_id=item.id)  # fmt: skip
                self._tell(error_of(closed, session.now_s))
        elif isinstance(item, MessageRefused):
            session.refuse(item)
        else:
            session.receive(item)

    def _refuse(self, refused: list[MessageRefused], now_s: float) -> None:
        for one in refused:
            self._tell(error_of(one, self._session.now_s))
        self._refused += len(refused)
        if self._refused and now_s > self._told_s + TELL_EVERY_S:
            count, self._refused, self._told_s = self._refused, 0, now_s
            if not self._session.closed.is_set():
                self._session.report_problem(
                    Problem(
                        f"{count} events were refused: more came than the table takes in.",
                        "messages in", "Report fewer events a second. Each had its own error.",
                    )
                )  # fmt: skip
