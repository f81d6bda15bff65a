"""A session in virtual time: the real table, ear and voices in a simulated room.

Drives a :class:`tablevoice.table.Table` block by block, as fast as the machine can
or, with a ``pace``, as fast as somebody listens. Knows no scenario: who speaks and
what the controller reports is up to the caller, who is told every message.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from tablevoice.acoustics.room import Block, Room
from tablevoice.actions import (
    Action,
    AskHold,
    CorrectVerdict,
    CutShort,
    Send,
    Sound,
    Spend,
    TakeDown,
)
from tablevoice.errors import EngineFailed
from tablevoice.links.messages import ErrorReported, Inbound
from tablevoice.listening.ear import Ear
from tablevoice.model import Clip, GuardView, Heard, Hypothesis, Utterance
from tablevoice.session_records import Record
from tablevoice.table import Table
from tablevoice.wording import normalise

BLOCK_S = 0.032
"""One step of the room: what a sound card commonly hands over at once."""


TYPED_DBFS = -26.0
"""Level of what is understood without a sound: a person at arm's length."""


class ClipSource(Protocol):
    """Where the sound of a line comes from, prepared or rendered on the spot."""

    def clip(self, text: str, voice: str, marked: str = ...) -> Clip:
        """``text`` in the voice of that name, as ``marked``. Raises EngineFailed."""


@dataclass(order=True, slots=True)
class _Due:
    at_s: float
    number: int
    what: Callable[[], None] = field(compare=False)


@dataclass(slots=True)
class _Sounding:
    utterance: Utterance
    start_s: float
    end_s: float
    failed: bool = False


class SimulatedSession:
    """One table in one room.

    ``ear`` ``None``: the table listens to nobody. ``record`` writes everything down.
    ``overheard`` is called with every message of the table and may report events or let people
    speak. ``pace`` is called with every block of the room, for the ears of whoever listens,
    and may wait. ``ask_hold`` passes a wish to hold on to the stop guard, where there is one.
    """

    def __init__(
        self,
        table: Table,
        ear: Ear | None,
        room: Room,
        clips: ClipSource,
        record: Record,
        *,
        overheard: Callable[[Send], None] = lambda sent: None,
        pace: Callable[[Block], None] = lambda block: None,
        ask_hold: Callable[[str], None] = lambda kind: None,
    ) -> None:
        self.ask_hold = ask_hold
        self.table = table
        self.room = room
        self.overheard = overheard
        self._ear = ear
        self._clips = clips
        self._record = record
        self._pace = pace
        self._due: list[_Due] = []
        self._numbers = itertools.count()
        self._sounding: _Sounding | None = None
        self._in_speech = False

    @property
    def now_s(self) -> float:
        """The session's time, which is the room's."""
        return self.room.now_s

    def sounding(self, event: str, for_s: float) -> bool:
        """Whether a line of that event has been sounding for so many seconds or more."""
        sounding = self._sounding
        return (
            sounding is not None
            and sounding.utterance.event == event
            and self.now_s >= sounding.start_s + for_s
        )

    @property
    def due(self) -> bool:
        """Whether something is still to happen at a time that was asked for."""
        return bool(self._due)

    def at(self, at_s: float, what: Callable[[], None]) -> None:
        """Have ``what`` happen at ``at_s``; at the next block if that has passed."""
        heapq.heappush(self._due, _Due(at_s, next(self._numbers), what))

    def open(self, version: str) -> None:
        """The table says that it takes events."""
        self._carry_out(self.table.opened(version, self.now_s))

    def receive(self, message: Inbound) -> None:
        """A message from the controller arrives now."""
        self._record.received(message, self.now_s)
        self._carry_out(self.table.receive(message, self.now_s))

    def guard_changed(self, view: GuardView) -> None:
        """The stop guard says something new."""
        self._carry_out(self.table.guard_changed(view, self.now_s))

    def speak(self, who: str, text: str, clip: Clip) -> None:
        """A person in the room says something now."""
        end_s = self.room.start(who, clip)
        self._record.person_said(who, text, self.now_s, end_s)

    def understood(self, who: str, text: str, lasts_s: float) -> None:
        """A person is understood as if perfectly: ``text`` from now on, without any sound."""
        start_s, end_s = self.now_s, self.now_s + lasts_s
        self._record.person_said(who, text, start_s, end_s)
        self._carry_out(self.table.sound_began(start_s))
        heard = Heard(
            Hypothesis(text, 1.0, True), start_s, end_s, TYPED_DBFS,
            during_speech=self._sounding is not None, probabilities={normalise(text): 1.0},
        )  # fmt: skip
        self.at(end_s, lambda: self._hear(heard))

    def step(self) -> None:
        """Go on by one block."""
        now_s = self.now_s
        while self._due and self._due[0].at_s <= now_s:
            heapq.heappop(self._due).what()
        sounding = self._sounding
        if sounding is not None and sounding.end_s <= now_s:
            self._sounding = None
            ended = self.table.voice_ended(sounding.utterance.id, now_s, failed=sounding.failed)
            self._carry_out(ended)
        deadline_s = self.table.deadline_s
        if deadline_s is not None and deadline_s <= now_s:
            self._carry_out(self.table.tick(now_s))
        if self._ear is not None:
            self._ear.allow(
                self.table.expected.phrases, self.table.standing_phrases, self.table.hold_phrases
            )
        block = self.room.advance(BLOCK_S)
        self._pace(block)
        if self._ear is not None:
            self._listen(self._ear, block)

    def _listen(self, ear: Ear, block: Block) -> None:
        for heard in ear.feed(block.mic, self.now_s, block.reference):
            self._hear(heard)
        if ear.in_speech and not self._in_speech:
            self._carry_out(self.table.sound_began(self.now_s))
        self._in_speech = ear.in_speech

    def _hear(self, heard: Heard) -> None:
        self._carry_out(self.table.hear(heard, self.now_s))

    def _carry_out(self, actions: list[Action]) -> None:
        for action in actions:
            match action:
                case Spend() | TakeDown():
                    self._record.note(action)
                case Sound():
                    self._sound(action.utterance)
                case CutShort():
                    self._cut(action.utterance)
                case AskHold():
                    self.ask_hold(action.kind)
                case CorrectVerdict():
                    self.overheard(Send(self._record.correct(action, self.now_s)))
                case Send():
                    self._record.sent(action)
                    self.overheard(action)

    def _sound(self, utterance: Utterance) -> None:
        try:
            clip = self._clips.clip(utterance.text, utterance.voice, utterance.marked)
        except EngineFailed as failed:
            problem = failed.problem
            report = ErrorReported(
                at_s=self.now_s, what=problem.what, where=problem.where, do=problem.do
            )
            self._carry_out([Send(report)])
            self._sounding = _Sounding(utterance, self.now_s, self.now_s, failed=True)
            return
        self._carry_out(self.table.voice_started(utterance.id, self.now_s))
        end_s = self.room.start(utterance.voice, clip)
        self._record.sounding(utterance, self.now_s, end_s)
        self._sounding = _Sounding(utterance, self.now_s, end_s)

    def _cut(self, utterance: Utterance) -> None:
        if self._sounding is not None and self._sounding.utterance.id == utterance.id:
            self.room.cut(utterance.voice)
            self._sounding = None
