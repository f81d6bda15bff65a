"""What is to go into the history, until the history takes it.

Another program may hold the database for a while, a disk may be full for an hour: rows wait
here, each with the time at which it happened, and go in together, in order. Knows that
writing may fail and nothing of what the rows mean. Called by the record of a session, on the
thread that opened the history.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias, TypeVar

from tablevoice.errors import Problem, StoreUnwritable
from tablevoice.history import History

MOST_WAITING = 20_000
"""Rows: some hours of a busy table, some ten megabytes. Then the oldest that can be spared go."""

Write: TypeAlias = Callable[[History], None]
Given = TypeVar("Given")


@dataclass(frozen=True, slots=True)
class _Waiting:
    write: Write
    utc: datetime
    needed: bool


class HistoryBacklog:
    """Rows on their way into ``history``; ``told`` hears of what is wrong, once each time.

    Needed rows (used lines, holds) are never given up. From now on the history waits only a
    moment for another program that has it locked: whoever writes has more to do.
    """

    def __init__(
        self, history: History, told: Callable[[Problem], None], most_waiting: int = MOST_WAITING
    ) -> None:
        self._history = history
        self._told = told
        self._most_waiting = most_waiting
        self._waiting: deque[_Waiting] = deque()
        self._gathering = False
        self.refused = ""
        """Why the history takes nothing just now; empty while it does."""
        self._given_up = 0
        history.hurry()

    @property
    def behind(self) -> bool:
        """The history has refused what waits here."""
        return bool(self._waiting and self.refused)

    def add(self, write: Write, *, needed: bool = False) -> None:
        """Have ``write`` called with the history, now or when that can be."""
        self._waiting.append(_Waiting(write, self._history.utc_now(), needed))
        if not self._gathering:
            self._put_in()

    def now(self, ask: Callable[[History], Given]) -> Given:
        """Ask something of a history that has all that came before. Raises StoreUnwritable."""
        self._put_in()
        if self._waiting:
            raise StoreUnwritable(
                f"the history does not take anything now: {self.refused}",
                where=str(self._history.path), do="Try again when that is mended.",
            )  # fmt: skip
        return ask(self._history)

    @contextmanager
    def together(self) -> Iterator[None]:
        """What is added within goes in with one wait for the disk, and what waited before it."""
        self._gathering = True
        try:
            yield
        finally:
            self._gathering = False
            self._put_in()

    def close(self) -> None:
        """Try a last time, with patience."""
        self._history.hurry(patient=True)
        self._put_in()
        if self._waiting:
            self._told(self._lost(len(self._waiting)))

    def _put_in(self) -> None:
        if not self._waiting:
            return
        try:
            with self._history.together():
                for one in self._waiting:
                    self._history.happened(one.utc)
                    one.write(self._history)
        except StoreUnwritable as error:
            self._make_room()
            if error.problem.what != self.refused:
                self.refused = error.problem.what
                self._told(
                    dataclasses.replace(
                        error.problem,
                        do=f"{error.problem.do} What happens meanwhile is written down then.",
                    )
                )
            return
        finally:
            self._history.happened(None)
        self._waiting.clear()
        self.refused = ""
        if self._given_up:
            self._told(self._lost(self._given_up))
            self._given_up = 0

    def _make_room(self) -> None:
        spare = len(self._waiting) - self._most_waiting
        if spare <= 0:
            return
        kept: deque[_Waiting] = deque()
        for one in self._waiting:
            if spare > 0 and not one.needed:
                spare -= 1
                self._given_up += 1
            else:
                kept.append(one)
        self._waiting = kept

    def _lost(self, rows: int) -> Problem:
        return Problem(
            f"{rows} rows of the history are lost: it could not be written for too long.",
            str(self._history.path),
            "What the session's record (session.jsonl) has of them is all there is.",
        )
