"""Messages between the thread that reads them and the loop that acts on them, of bounded number.

The rule, where a controller sends faster than the table takes in: warnings and everything
that is no event go first and are never refused, but to close comes last, behind what was sent
before it; of the other events the oldest of the lowest priority is refused, with one error; when
nothing is left to refuse, the reader waits, and so does the pipe behind it. Knows
priorities and times that are passed in, no table and no clock.
"""

from __future__ import annotations

import itertools
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from tablevoice.errors import MessageRefused
from tablevoice.links.messages import Close, EventReported, Inbound
from tablevoice.model import Priority

MOST_WAITING = 256
"""Messages; at the fastest that a pipe was measured to bring them, some 50 ms of them."""

LONGEST_WAIT_S = 1.0
"""An event that has waited for so long is refused: its line would come too late."""

Item: TypeAlias = Inbound | MessageRefused


@dataclass(frozen=True, slots=True)
class _Waiting:
    number: int
    item: Item
    at_s: float


class Intake:
    """One reader's thread puts, one loop takes.

    ``priority_of`` tells the priority of an event, by name; an unknown one's is ``None``.
    ``woken`` is called, on the reader's thread, when something came.
    """

    def __init__(
        self,
        priority_of: Callable[[str], Priority | None],
        woken: Callable[[], None],
        most_waiting: int = MOST_WAITING,
    ) -> None:
        self._priority_of = priority_of
        self._woken = woken
        self._most = most_waiting
        self._changed = threading.Condition()
        self._numbers = itertools.count()
        self._urgent: deque[_Waiting] = deque()
        self._close: deque[_Waiting] = deque()
        self._events: dict[Priority, deque[_Waiting]] = {
            priority: deque() for priority in sorted(Priority) if priority < Priority.WARNING
        }
        self._waiting = 0
        self._refused: list[MessageRefused] = []

    def __len__(self) -> int:
        """How many messages wait, refusals that are still to be told included."""
        with self._changed:
            return self._waiting + len(self._refused)

    def put(self, item: Item, now_s: float) -> None:
        """A message came; waits while nothing may be refused to make room for it."""
        waiting = _Waiting(next(self._numbers), item, now_s)
        priority = None
        if isinstance(item, EventReported):
            priority = self._priority_of(item.event)
        with self._changed:
            if priority is None or priority is Priority.WARNING:
                while self._waiting >= self._most and not self._refuse_one():
                    self._changed.wait()
                (self._close if isinstance(item, Close) else self._urgent).append(waiting)
            else:
                self._changed.wait_for(lambda: len(self._refused) < self._most)
                self._events[priority].append(waiting)  # it is among those that may go
                if self._waiting >= self._most:
                    self._refuse_one()
            self._waiting += 1
        self._woken()

    def refusals(self) -> list[MessageRefused]:
        """What was refused since the last look, to be told to whoever sent it."""
        with self._changed:
            refused, self._refused = self._refused, []
            if refused:
                self._changed.notify_all()
        return refused

    def urgent(self) -> Item | None:
        """The next message that is a warning or no event at all."""
        with self._changed:
            return self._first_of(self._urgent)

    def event(self, *, crowded: bool = False) -> Item | None:
        """The next other event, in order of arrival; by priority where the table is crowded.

        After the last of them, what closes the table.
        """
        with self._changed:
            waiting = [events for events in self._events.values() if events]
            if not waiting:
                return self._first_of(self._close)
            return self._first_of(
                waiting[-1] if crowded else min(waiting, key=lambda events: events[0].number)
            )

    def refuse_late(self, now_s: float) -> None:
        """Refuse the events that have waited for too long."""
        with self._changed:
            for events in self._events.values():
                while events and now_s - events[0].at_s > LONGEST_WAIT_S:
                    self._refuse(
                        events.popleft(), f"waited for {LONGEST_WAIT_S:g} s at a crowded table"
                    )

    def _first_of(self, waiting: deque[_Waiting]) -> Item | None:
        if not waiting:
            return None
        self._waiting -= 1
        self._changed.notify_all()
        return waiting.popleft().item

    def _refuse_one(self) -> bool:
        """Refuse the oldest event of the lowest priority; false when there is none."""
        for events in self._events.values():
            if events:
                self._refuse(events.popleft(), "came faster than the table takes them in")
                return True
        return False

    def _refuse(self, waiting: _Waiting, why: str) -> None:
        self._waiting -= 1
        event = waiting.item
        assert isinstance(event, EventReported)
        self._refused.append(
            MessageRefused(
                f"the event {why}.", where=f"event {event.id!r}",
                do="Report fewer events a second; the oldest of the lowest priority go first,"
                " warnings are always taken.",
                message_id=event.id,
            )
        )  # fmt: skip
