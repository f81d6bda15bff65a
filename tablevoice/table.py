"""The table itself, without a clock, a device or a thread: messages and sounds in, actions out.

Puts the line chooser, the dialogue and the speech queue together. A driver feeds it
what happens, each time with the session's time, and carries out the actions that it
returns, in order. The live session and the simulated one are such drivers, which is
what makes a session replayable: same inputs, same actions.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from tablevoice import dialogue
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
from tablevoice.arming import Arming
from tablevoice.book_in_use import BookInUse, ClockOf, LineChooser, no_clock
from tablevoice.dialogue.terms import (
    Answered,
    Ask,
    AskRefused,
    Effect,
    Expected,
    HeardMatch,
    Hold,
    HoldCleared,
    HoldEnded,
    HoldImposed,
    HoldRequested,
    Input,
    LineEnded,
    Phase,
    Pressed,
    PressRefused,
    RepeatLast,
    SayEvent,
    SoundBegan,
    Tick,
    Withdraw,
)
from tablevoice.errors import MessageRefused, Problem
from tablevoice.links import messages
from tablevoice.links.delivery import Arrival, Ledger, Outcome, SenderClocks
from tablevoice.listening.judging import Thresholds
from tablevoice.model import (
    Event,
    EventLines,
    GuardView,
    Heard,
    Phrasebook,
    Priority,
    SlotValue,
    StandingKind,
    Utterance,
)
from tablevoice.nearest import advice
from tablevoice.phrasebook.choosing import Withheld
from tablevoice.phrasebook.phrases import phrase_said, standing_phrases
from tablevoice.phrasebook.slots import check_slots, fill_marked
from tablevoice.speech.queue import Cut, Decision, Dropped, SpeechQueue, Start, Why
from tablevoice.verdicts import judge_heard, report

UNKNOWN = Arrival()


@dataclass(slots=True)
class _Errand:
    """Why an utterance is said: for which event, and who waits for its end.

    ``reported``: the event that is over with it. ``worth_s``: for how much longer its line
    is worth starting, where that is less than the phrasebook says.
    """

    event_id: str
    line: int | None
    reported: Event | None = None
    started_s: float | None = None
    worth_s: float = math.inf


class Table:
    """One table. Every method takes the session's time and returns what is to be done now.

    ``default_voice`` speaks lines that name no voice. ``hold``: one that was in force
    before a restart; it stays in force. ``guarded``: a stop guard watches the cell; until
    it is seen armed, with its inputs proven, nothing is asked or answered, and only
    warnings are said. ``session``: its number in the history, which begins that of each
    utterance. ``clock`` tells the time of the day, for quiet hours. ``ledger``: which events
    an earlier session took. Times are seconds since the session began.
    """

    def __init__(
        self,
        name: str,
        book: Phrasebook,
        chooser: LineChooser,
        *,
        default_voice: str,
        thresholds: Thresholds,
        hold: Hold | None = None,
        guarded: bool = False,
        session: int = 0,
        clock: ClockOf = no_clock,
        ledger: Ledger | None = None,
    ) -> None:
        self.name = name
        self._session = session
        self._heard = itertools.count(1)
        self._arming = Arming(guarded)
        self._lines = BookInUse(book, chooser, default_voice, clock)
        self._thresholds = thresholds
        self._state = dialogue.start(book.standing, hold)
        self._queue = SpeechQueue()
        self._errands: dict[str, _Errand] = {}
        self._last: Utterance | None = None
        self._sounding = ""
        self._numbers = itertools.count(1)
        self._ledger = Ledger() if ledger is None else ledger
        self._clocks = SenderClocks()
        self._closing = False

    # --- what a driver may look at ----------------------------------------------

    @property
    def expected(self) -> Expected:
        """What may be heard now."""
        return dialogue.expected(self._state)

    @property
    def standing_phrases(self) -> tuple[str, ...]:
        """What may be heard at any time, even over a voice of the table."""
        return standing_phrases(self._book)

    @property
    def hold_phrases(self) -> tuple[str, ...]:
        """Those of them that ask for a hold."""
        return standing_phrases(self._book, StandingKind.HOLDS)

    @property
    def phase(self) -> Phase:
        """Where the dialogue stands."""
        return self._state.phase

    @property
    def hold(self) -> Hold | None:
        """The hold that was asked for and not released yet."""
        return self._state.hold

    @property
    def idle(self) -> bool:
        """Nothing is being said or waits to be said, and no question is open."""
        return not self._errands and self._state.open is None

    @property
    def deadline_s(self) -> float | None:
        """When ``tick`` is due next, if nothing happens before."""
        times = (self._state.deadline_s, self._queue.wake_s)
        return min((time_s for time_s in times if time_s is not None), default=None)

    @property
    def queue(self) -> SpeechQueue:
        """What sounds and what waits."""
        return self._queue

    @property
    def _book(self) -> Phrasebook:
        return self._lines.book

    # --- what happens -----------------------------------------------------------

    def opened(self, version: str, now_s: float) -> list[Action]:
        """The session begins: what an earlier one left open is over now."""
        events = tuple(self._book.events)
        ready = messages.Ready(at_s=now_s, table=self.name, version=version, events=events)
        interrupted = self._ledger.interrupted(now_s)
        return [Send(ready), *(action for over in interrupted for action in self._tell(over))]

    def receive(
        self, message: messages.Inbound, now_s: float, arrival: Arrival = UNKNOWN
    ) -> list[Action]:
        """A message from the cell's controller; ``arrival``: what is known of its age."""
        try:
            return self._receive(message, now_s, arrival)
        except MessageRefused as refused:
            return [_error(refused.problem, getattr(message, "id", None), now_s)]

    def sound_began(self, now_s: float) -> list[Action]:
        """Somebody opened their mouth; what was said comes later by ``hear``."""
        return self._step(SoundBegan(), now_s)

    def hear(self, heard: Heard, now_s: float) -> list[Action]:
        """An utterance of a person ended."""
        utterance = f"{self._session}-{next(self._heard)}"
        phrases = dict(self.expected.phrases)
        judged = judge_heard(heard, self._state, phrases, self._thresholds, utterance)
        effects = self._step(HeardMatch(judged.match, judged.verdict, heard.start_s), now_s)
        return [report(judged, now_s), *effects]

    def voice_started(self, utterance_id: str, now_s: float) -> list[Action]:
        """The loudspeaker began an utterance."""
        errand = self._errands.get(utterance_id)
        if errand is not None:
            errand.started_s = now_s
        return []

    def voice_ended(
        self, utterance_id: str, now_s: float, *, failed: bool = False
    ) -> list[Action]:
        """The loudspeaker is through with an utterance; one that was cut is over already.

        ``failed``: it could not be sounded at all, or not to its end.
        """
        ended = self._queue.sounding
        if ended is None or ended.id != utterance_id:
            return []
        self._queue, decisions = self._queue.finish(utterance_id, now_s)
        actions = self._over(ended, "dropped" if failed else "said", now_s)
        return actions + self._carry(decisions, now_s)

    def tick(self, now_s: float) -> list[Action]:
        """Time went on; due at ``deadline_s``, harmless at any other time."""
        actions = self._step(Tick(), now_s)
        self._queue, decisions = self._queue.advance(now_s)
        return actions + self._carry(decisions, now_s)

    def guard_changed(self, view: GuardView, now_s: float) -> list[Action]:
        """The stop guard says something new, or nothing any more."""
        change = self._arming.seen(view, now_s)
        actions: list[Action] = []
        if change.hold is not None:
            actions += self._hush(now_s)  # silence first, everything else after
            actions += self._step(HoldImposed(change.hold), now_s)
        actions.append(Send(change.report))
        event = self._book.events.get(self._book.stop_guard.get(change.news, ""))
        if event is not None:
            actions += self._say(event, {}, _Errand("", None), now_s)
        if change.arms:
            actions += self._step(HoldCleared("the reset at the machine"), now_s)
        return actions

    # --- another phrasebook -----------------------------------------------------

    def use_book(self, book: Phrasebook, now_s: float) -> list[Action]:
        """Speak from ``book`` from the next pause between two lines on.

        A line that sounds or waits stays as it is, and so does an open question: what may be
        answered follows at the next one. Which lines were used is known by their keys.
        """
        self._lines.bring(book)
        return [] if self._sounding else self._swap(now_s)

    def _swap(self, now_s: float) -> list[Action]:
        if not self._lines.swap():
            return []
        self._state = dialogue.with_standing(self._state, self._book.standing)
        events = tuple(self._book.events)
        changed = messages.PhrasebookChanged(at_s=now_s, title=self._book.title, events=events)
        return [Send(changed)]

    # --- events -----------------------------------------------------------------

    def _receive(self, message: messages.Inbound, now_s: float, arrival: Arrival) -> list[Action]:
        match message:
            case messages.EventReported():
                return self._event(message, now_s, arrival)
            case messages.ButtonPressed():
                if self._ledger.pressed_before(message.id):
                    return []
                return self._step(Pressed(message.button), now_s, message.id)
            case messages.HoldClearedReported() if self._arming.guarded:
                raise MessageRefused(
                    "the stop guard alone ends a hold here.", where="hold_cleared",
                    do="Press the reset at the machine.",
                )  # fmt: skip
            case messages.HoldClearedReported():
                return self._step(HoldCleared(message.by), now_s)
            case messages.Correct():
                said = phrase_said(self._book, message.said, nothing=message.nothing)
                return [CorrectVerdict(message.utterance, said, message.id)]
            case messages.Ping():
                return [Send(messages.Pong(at_s=now_s, id=message.id))]
            case messages.Close():
                return self._close(now_s)

    def _event(
        self, message: messages.EventReported, now_s: float, arrival: Arrival
    ) -> list[Action]:
        where = f"event {message.id!r}"
        if self._ledger.knows(message):
            outcome = self._ledger.outcome_of(message)
            return [] if outcome is None else [Send(outcome, again=True)]
        try:
            return self._new_event(message, now_s, arrival, where)
        except MessageRefused as refused:
            error = messages.ErrorReported.about(refused.problem, now_s, message.id)
            self._ledger.refuse(message, error)
            return [Send(error)]

    def _new_event(
        self, message: messages.EventReported, now_s: float, arrival: Arrival, where: str
    ) -> list[Action]:
        if self._closing:
            raise MessageRefused("the session is closing.", where=where, do="Start a new one.")
        event = self._book.events.get(message.event)
        if event is None:
            raise MessageRefused(
                f"there is no event {message.event!r}.", where=where,
                do=advice(message.event, self._book.events),
            )  # fmt: skip
        check_slots(event, self._book.slot_values, message.slots)
        if not self._arming.armed and event.priority < Priority.WARNING:
            raise MessageRefused(
                f"the stop guard has not armed the cell: {self._arming.why_not}", where=where,
                do="Send it with another id when the message guard says armed.",
            )  # fmt: skip
        left_s, seen = self._clocks.left_s(message.id, arrival, event.fresh_for_s, now_s)
        actions: list[Action] = [_error(problem, None, now_s) for problem in seen]
        taken = Event(message.id, event.name, dict(message.slots))
        actions += [TakeDown(note) for note in self._ledger.take(taken)]
        if event.asks is not None:
            return actions + self._step(Ask(taken, self._book.questions[event.asks]), now_s)
        errand = _Errand(message.id, None, taken, worth_s=left_s)
        return actions + self._say(event, message.slots, errand, now_s)

    def _tell(
        self, outcome: Outcome, about: Event | None = None, *, refused: bool = False
    ) -> list[Action]:
        """An event is over: the one place where that is told, and noted."""
        notes = self._ledger.settle(outcome, refused=refused)
        return [Send(outcome, about), *(TakeDown(note) for note in notes)]

    def _close(self, now_s: float) -> list[Action]:
        self._closing = True
        actions = self._step(Withdraw(), now_s)
        last, self._queue = self._queue, SpeechQueue()
        if last.sounding is not None:
            actions += self._carry([Cut(last.sounding)], now_s)
        actions += self._carry([Dropped(waits, Why.CLEARED) for waits in last.waiting], now_s)
        return [*actions, Send(messages.Closed(at_s=now_s))]

    # --- dialogue ---------------------------------------------------------------

    def _step(self, given: Input, now_s: float, message_id: str | None = None) -> list[Action]:
        self._state, effects = dialogue.step(self._state, given, now_s)
        actions: list[Action] = []
        for effect in effects:
            actions += self._effect(effect, now_s, message_id)
        return actions

    def _effect(self, effect: Effect, now_s: float, message_id: str | None) -> list[Action]:
        match effect:
            case SayEvent():
                return self._say_event(effect, now_s)
            case RepeatLast():
                return self._repeat(effect, now_s)
            case Answered():
                answer = messages.AnswerGiven(
                    at_s=now_s, id=effect.event_id, question=effect.question,
                    value=effect.value, how=effect.how.value,
                    certainty=min(1.0, max(0.0, effect.certainty)), tries=effect.tries,
                )  # fmt: skip
                return self._tell(answer)
            case HoldRequested():
                request = messages.HoldRequest(
                    at_s=now_s, kind="stop" if effect.kind == "stop" else "pause",
                    phrase=effect.phrase, certainty=min(1.0, max(0.0, effect.certainty)),
                )  # fmt: skip
                # First the request, then silence for everything that is no warning.
                asked: list[Action] = [AskHold(request.kind)] if self._arming.guarded else []
                return [*asked, Send(request), *self._hush(now_s)]
            case HoldEnded():
                return []
            case AskRefused():
                refused = messages.ErrorReported.about(effect.problem, now_s, effect.event_id)
                return self._tell(refused, refused=True)
            case PressRefused():
                return [_error(effect.problem, message_id, now_s)]

    def _say_event(self, effect: SayEvent, now_s: float) -> list[Action]:
        opened = self._state.open
        errand = _Errand(opened.event.id if opened is not None else "", effect.line)
        event = self._lines.event(effect.event)
        over = [] if effect.line is None else [LineEnded(effect.line)]
        if event is None:  # a phrasebook without it came while its question was open
            return [action for end in over for action in self._step(end, now_s)]
        slots = {name: effect.slots[name] for name in event.slots if name in effect.slots}
        try:
            return self._say(event, slots, errand, now_s)
        except MessageRefused as refused:  # as it was edited, it needs more than there is
            ended = [action for end in over for action in self._step(end, now_s)]
            return [_error(refused.problem, None, now_s), *ended]

    def _repeat(self, effect: RepeatLast, now_s: float) -> list[Action]:
        last = self._last
        if last is None:
            return [] if effect.line is None else self._step(LineEnded(effect.line), now_s)
        again = replace(
            last, id=self._next_id(), priority=max(last.priority, Priority.QUESTION),
            born_s=now_s, fresh_until_s=now_s + last.fresh_until_s - last.born_s, note="",
        )  # fmt: skip
        return self._queue_up(again, _Errand(again.event_id, effect.line), now_s)

    # --- speech -----------------------------------------------------------------

    def _say(
        self,
        event: EventLines,
        slots: Mapping[str, SlotValue],
        errand: _Errand,
        now_s: float,
    ) -> list[Action]:
        # Only what the controller reports may stay unsaid: a person who is in the middle of an
        # exchange with the table gets their line at any hour.
        if errand.reported is None or event.asks is not None:
            chosen = self._lines.line(event.name, slots, now_s)
        else:
            fit = self._lines.line_if_fit(event.name, slots, now_s)
            if isinstance(fit, Withheld):
                done = messages.Done(
                    at_s=now_s, id=errand.event_id, said="dropped", why=fit.why)
                return self._tell(done, errand.reported)
            chosen = fit
        utterance = Utterance(
            id=self._next_id(), event_id=errand.event_id, event=event.name,
            line_key=chosen.line.key, voice=chosen.voice, text=chosen.text,
            priority=event.priority, interruptible=event.interruptible,
            born_s=now_s, note=chosen.note,
            fresh_until_s=now_s + min(event.fresh_for_s, errand.worth_s),
            marked=fill_marked(chosen.line.text, slots),
        )  # fmt: skip
        return [Spend(chosen.spent), *self._queue_up(utterance, errand, now_s)]

    def _queue_up(self, utterance: Utterance, errand: _Errand, now_s: float) -> list[Action]:
        self._errands[utterance.id] = errand
        self._queue, decisions = self._queue.push(utterance, now_s)
        return self._carry(decisions, now_s)

    def _hush(self, now_s: float) -> list[Action]:
        """A hold was asked for: what is not a warning is neither said nor finished."""
        self._queue, decisions = self._queue.clear(Priority.WARNING, now_s)
        silence_first = sorted(decisions, key=lambda decision: not isinstance(decision, Cut))
        return self._carry(silence_first, now_s)

    def _carry(self, decisions: Iterable[Decision], now_s: float) -> list[Action]:
        actions: list[Action] = []
        for decision in decisions:
            match decision:
                case Start():
                    self._last = decision.utterance
                    self._sounding = decision.utterance.id
                    actions.append(Sound(decision.utterance))
                case Cut():
                    actions.append(CutShort(decision.utterance))
                    actions += self._over(decision.utterance, "cut", now_s)
                case Dropped():
                    expired = decision.why is Why.EXPIRED
                    outcome: messages.Outcome = "expired" if expired else "dropped"
                    actions += self._over(decision.utterance, outcome, now_s)
        return actions

    def _over(
        self, utterance: Utterance, outcome: messages.Outcome, now_s: float
    ) -> list[Action]:
        """An utterance will not be heard of again: report it, and tell who waited for it."""
        errand = self._errands.pop(utterance.id, None)
        if errand is None:
            return []
        report = messages.Said(
            at_s=now_s, id=errand.event_id, event=utterance.event, voice=utterance.voice,
            text=utterance.text, said=outcome, start_s=errand.started_s,
            end_s=now_s if errand.started_s is not None else None, note=utterance.note,
        )  # fmt: skip
        actions: list[Action] = [Send(report, utterance)]
        if utterance.id == self._sounding:
            self._sounding = ""
            actions += self._swap(now_s)
        if errand.reported is not None:
            actions += self._tell(messages.Done(at_s=now_s, id=errand.event_id, said=outcome))
        if errand.line is not None:
            actions += self._step(LineEnded(errand.line), now_s)
        return actions

    def _next_id(self) -> str:
        return f"u{next(self._numbers)}"


def _error(problem: Problem, message_id: str | None, now_s: float) -> Send:
    return Send(messages.ErrorReported.about(problem, now_s, message_id))
