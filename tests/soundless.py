"""The real table in real time on an asyncio loop, without a sound: its lines just take time.

What links are tried on where no loudspeaker matters: the table, its ledger and its history are
the real ones; only speaking is a matter of waiting.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path

from tablevoice import __version__
from tablevoice.actions import Action, CutShort, Send, Sound, Spend, TakeDown
from tablevoice.cell import ListeningChoice
from tablevoice.errors import MessageRefused, Problem
from tablevoice.history import History
from tablevoice.linking import Audience
from tablevoice.links import messages
from tablevoice.links.delivery import Arrival, Ledger, sent_ago_s
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.model import Phrasebook, TableView, Taken
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.session_records import Record
from tablevoice.table import Table

BOOK = """
format: 1
title: Bench
language: en
events:
  greeting: {about: Greets., priority: banter, fresh_for_s: 5, lines: [Good evening.]}
  hello: {about: Opens., priority: banter, fresh_for_s: 5, lines: [Good morning.]}
  lit: {about: A move., priority: move, fresh_for_s: 5, lines: [It is lit., There it hangs.]}
  careful: {about: A warning., priority: warning, fresh_for_s: 5, lines: [Mind the arm.]}
  asked: {about: Asks., priority: question, asks: colour, fresh_for_s: 5, lines: [Which one?]}
  again: {about: Again., priority: question, lines: [Once more for me.]}
questions:
  colour: {answers: {teal: [teal], violet: [violet]}, wait_s: 30, tries: 2, button_wait_s: 60,
           ask_again: again, waited: again}
standing:
  pause: {phrases: [pause]}
  stop: {phrases: [stop]}
"""


class SoundlessTable:
    """A served table; an async context manager. ``history``: a file, or none."""

    def __init__(
        self,
        book: Phrasebook,
        *,
        name: str = "bench",
        history: Path | None = None,
        line_s: float = 0.05,
    ) -> None:
        self.name = name
        self.audience = Audience(self._heard)
        self.told: list[Outbound] = []
        self.sounded: list[str] = []
        """The events whose lines began to sound, in order."""
        self.lines: list[tuple[str, str]] = []
        """Of each of these lines the event's id, and the event whose line it was."""
        self.received: list[Inbound] = []
        self.closed = asyncio.Event()
        self._book = book
        self._line_s = line_s
        self._history_file = history
        self._ending: asyncio.TimerHandle | None = None
        self._ticking: asyncio.TimerHandle | None = None

    async def __aenter__(self) -> SoundlessTable:
        self._loop = asyncio.get_running_loop()
        self._began_s = time.monotonic()
        self._history = None if self._history_file is None else History(self._history_file)
        past: tuple[Taken, ...] = ()
        if self._history is not None:
            self._history.begin_session(self.name, __version__)
            past = self._history.taken()
        self._record = Record(None, self._history)
        self._table = Table(
            self.name, self._book, Chooser(self._book, 7), default_voice="Alder",
            thresholds=ListeningChoice(), ledger=Ledger(past, ["mqtt"]),
        )  # fmt: skip
        self._carry_out(self._table.opened(__version__, 0.0))
        return self

    async def __aexit__(self, *_: object) -> None:
        if not self.closed.is_set():
            self.receive(messages.Close())
        for timer in (self._ending, self._ticking):
            if timer is not None:
                timer.cancel()
        if self._history is not None:
            self._history.__exit__(None, None, None)

    # --- what links see ---------------------------------------------------------

    @property
    def now_s(self) -> float:
        return time.monotonic() - self._began_s

    @property
    def idle(self) -> bool:
        return self._table.idle

    @property
    def view(self) -> TableView:
        table, hold = self._table, self._table.hold
        return TableView(table.phase.value, False, not table.idle,
                         None if hold is None else hold.kind, self._book)

    def receive(self, message: Inbound, *, worth_s: float | None = None) -> None:
        arrival = Arrival(sent_ago_s(message, datetime.now(timezone.utc)), worth_s)
        self.received.append(message)
        self._record.received(message, self.now_s)
        self._carry_out(self._table.receive(message, self.now_s, arrival))

    def refuse(self, refused: MessageRefused) -> None:
        self._report(refused.problem, refused.message_id)

    def report_problem(self, problem: Problem) -> None:
        self._report(problem, None)

    def when_written(self, then: Callable[[], None]) -> None:
        self._loop.call_soon(then)  # this history is written at once

    # --- what a test looks at ---------------------------------------------------

    @property
    def problems(self) -> list[str]:
        """What went wrong and answers nobody's message."""
        return [m.what for m in self.told if isinstance(m, messages.ErrorReported) and not m.id]

    # --- carrying out -----------------------------------------------------------

    def _report(self, problem: Problem, message_id: str | None) -> None:
        self.audience(messages.ErrorReported(
            at_s=self.now_s, what=problem.what, where=problem.where, do=problem.do, id=message_id
        ))  # fmt: skip

    def _heard(self, message: Outbound) -> None:
        self.told.append(message)
        if isinstance(message, messages.Closed):
            self.closed.set()

    def _carry_out(self, actions: list[Action]) -> None:
        for action in actions:
            match action:
                case Sound(utterance):
                    self.sounded.append(utterance.event_id)
                    self.lines.append((utterance.event_id, utterance.event))
                    self._carry_out(self._table.voice_started(utterance.id, self.now_s))
                    self._ending = self._loop.call_later(self._line_s, self._ended, utterance.id)
                case CutShort():
                    if self._ending is not None:
                        self._ending.cancel()
                case Send():
                    self._record.sent(action)
                    self.audience(action.message)
                case Spend() | TakeDown():
                    self._record.note(action)
                case _:
                    raise AssertionError(f"nobody asks for that here: {action}")
        self._look_at_the_clock()

    def _ended(self, utterance_id: str) -> None:
        self._carry_out(self._table.voice_ended(utterance_id, self.now_s))

    def _look_at_the_clock(self) -> None:
        if self._ticking is not None:
            self._ticking.cancel()
            self._ticking = None
        deadline_s = self._table.deadline_s
        if deadline_s is not None:
            wait_s = max(0.0, deadline_s - self.now_s)
            self._ticking = self._loop.call_later(wait_s, self._tick)

    def _tick(self) -> None:
        self._carry_out(self._table.tick(self.now_s))
