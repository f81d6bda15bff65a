"""A real table without sound on the running loop: lines last a moment, a test says what is heard.

Stands where a session would, for links under test.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from tablevoice.actions import Action, CutShort, Send, Sound
from tablevoice.cell import ListeningChoice
from tablevoice.errors import MessageRefused, Problem
from tablevoice.linking import Audience
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.model import Heard, Hypothesis, Phrasebook, TableView
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.table import Table

LINE_S = 0.05

BOOK = """
format: 1
title: Small bench
language: en
slots:
  answer: [carton, pallet]
  item: [the mug, the lamp]
  count: [1, 2, 3]
  order: any
events:
  done: {about: An order is done., fresh_for_s: 4, lines: [All packed., That is that.]}
  pick: {about: Pick., slots: [item, count], lines: ["{item}, {count} of it.", "Take {item}."]}
  began: {about: An order begins., slots: [order], fresh_for_s: 0.5,
          lines: ["Order {order}.", "Now {order}."]}
  clear: {about: Keep clear., priority: warning, lines: [Keep clear., Hands back.]}
  size: {about: Asks., priority: question, asks: size, lines: [What shall it go in?, Which one?]}
  again: {about: Again., priority: question, lines: [Sorry?, Once more.]}
  confirm: {about: Confirms., slots: [answer], priority: question, lines: ["{answer}?"]}
  button: {about: Gives up., priority: question, lines: [Press a button.]}
  held: {about: Held., priority: warning, lines: [Asked to hold.]}
questions:
  size:
    answers: {carton: [carton], pallet: [pallet]}
    wait_s: 30
    tries: 2
    button_wait_s: 30
    ask_again: again
    waited: again
    confirm: confirm
    give_up: button
standing:
  pause: {phrases: [pause], says: held}
  stop: {phrases: [stop], says: held}
"""


def small_book(folder: Path) -> Phrasebook:
    path = folder / "small_bench.yaml"
    path.write_text(BOOK, encoding="utf-8")
    return load_phrasebook([path])


class PaperTable:
    """See ``links.served``. ``said`` are the texts, ``sent`` the messages so far."""

    def __init__(self, book: Phrasebook) -> None:
        self.table = Table(
            "small bench", book, Chooser(book, 7), default_voice="Fennel",
            thresholds=ListeningChoice(),
        )  # fmt: skip
        self.book = book
        self.said: list[str] = []
        self.sent: list[Outbound] = []
        self.audience = Audience(self._note)
        self._loop = asyncio.get_running_loop()
        self._began_s = self._loop.time()
        self._sounding: str | None = None
        self._news = asyncio.Event()
        self._tick: asyncio.TimerHandle | None = None

    def open(self) -> None:
        self._carry_out(self.table.opened("0", self.now_s))

    def close(self) -> None:
        if self._tick is not None:
            self._tick.cancel()

    # --- what a link sees -----------------------------------------------------------------

    @property
    def now_s(self) -> float:
        return self._loop.time() - self._began_s

    @property
    def idle(self) -> bool:
        return self.table.idle

    @property
    def view(self) -> TableView:
        hold = self.table.hold
        return TableView(
            self.table.phase.value, self._sounding is not None, not self.table.idle,
            None if hold is None else hold.kind, self.book,
        )  # fmt: skip

    def receive(self, message: Inbound, *, worth_s: float | None = None) -> None:
        self._carry_out(self.table.receive(message, self.now_s))

    def refuse(self, refused: MessageRefused) -> None:
        self._report(refused.problem, refused.message_id)

    def report_problem(self, problem: Problem) -> None:
        self._report(problem, None)

    def when_written(self, then: Callable[[], None]) -> None:
        self._loop.call_soon(then)

    # --- what a test does -----------------------------------------------------------------

    def hear(self, text: str) -> None:
        """A person says ``text``, within the last millisecond."""
        heard = Heard(
            Hypothesis(text, 0.93, calibrated=True), self.now_s - 0.001, self.now_s, -30.0
        )
        self._carry_out(self.table.hear(heard, self.now_s))

    def problems(self) -> list[str]:
        return [sent.what for sent in self.sent if isinstance(sent, messages.ErrorReported)]

    async def until(self, what: Callable[[], bool], within_s: float = 20.0) -> None:
        """Wait until it is true; looked at whenever the table says something."""
        end_s = self._loop.time() + within_s
        while not what():
            left_s = end_s - self._loop.time()
            assert left_s > 0, f"never; sent {self.sent[-6:]}"
            self._news.clear()
            waiting = asyncio.ensure_future(self._news.wait())
            await asyncio.wait([waiting], timeout=min(left_s, 0.05))
            waiting.cancel()

    # --- carrying out ---------------------------------------------------------------------

    def _note(self, message: Outbound) -> None:
        self.sent.append(message)
        if isinstance(message, messages.Said) and message.said == "said":
            self.said.append(message.text)

    def _report(self, problem: Problem, message_id: str | None) -> None:
        self._carry_out([Send(messages.ErrorReported(
            at_s=self.now_s, what=problem.what, where=problem.where, do=problem.do,
            id=message_id,
        ))])  # fmt: skip

    def _carry_out(self, actions: list[Action]) -> None:
        for action in actions:
            match action:
                case Sound(utterance):
                    self._sounding = utterance.id
                    self._carry_out(self.table.voice_started(utterance.id, self.now_s))
                    self._loop.call_later(LINE_S, self._ended, utterance.id)
                case CutShort():
                    self._sounding = None
                case Send(message):
                    self.audience(message)
                case _:
                    pass
        self._news.set()
        if self._tick is not None:
            self._tick.cancel()
        deadline_s = self.table.deadline_s
        self._tick = None if deadline_s is None else self._loop.call_later(
            max(0.0, deadline_s - self.now_s), self._ticked)

    def _ended(self, utterance_id: str) -> None:
        if self._sounding == utterance_id:
            self._sounding = None
            self._carry_out(self.table.voice_ended(utterance_id, self.now_s))

    def _ticked(self) -> None:
        self._carry_out(self.table.tick(self.now_s))
