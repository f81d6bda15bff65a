"""The dialogue as a pure state machine: one question at a time, and the latched hold.

``step`` takes a state, an input and the time, and gives the next state and what to
do about it. It reads no clock, says nothing and hears nothing by itself. The table
calls it for every input, and with ``Tick`` when ``State.deadline_s`` has come.

Three promises, each tested over random inputs:

- every ``Ask`` gets exactly one ``Answered`` or ``AskRefused``, at the latest
  ``longest_s(question)`` after it was put, time spent in a hold not counted;
- nothing that was heard leads out of ``held``; only ``HoldCleared`` does;
- a hold only ever gets stricter: pause may become stop, stop never becomes pause.

DEVELOPERS.md has the states as a picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from tablevoice.dialogue.expecting import answers_clash_with_confirmation
from tablevoice.dialogue.terms import (
    CONFIRM_YES,
    Answered,
    Ask,
    AskRefused,
    Candidate,
    Effect,
    HeardMatch,
    Hold,
    HoldCleared,
    HoldEnded,
    HoldImposed,
    HoldRequested,
    How,
    Input,
    LineEnded,
    OpenQuestion,
    Phase,
    Pressed,
    PressRefused,
    RepeatLast,
    SayEvent,
    SoundBegan,
    State,
    Tick,
    Withdraw,
)
from tablevoice.errors import Problem
from tablevoice.model import (
    Match,
    Question,
    SlotValue,
    StandingCommand,
    StandingKind,
    Verdict,
)
from tablevoice.nearest import advice

LINE_LIMIT_S = 30.0
"""A line not reported as over by then counts as over. Longer than any line plus its queue."""

GRACE_S = 2.5
"""How far an utterance in progress may put off the end of listening, once: about the
longest single answer plus its endpoint; without it, a person is timed out mid-word."""

EARLY_S = 0.3
"""An answer may begin this long before listening does: the last of the loudspeaker's
buffered sound is still on its way when people who know the question begin."""

MOST_REPEATS = 3
MOST_HELPS = 3
"""A question is repeated and explained this often, so that a noise taken for
``repeat`` cannot keep it open for ever."""

Stepped = tuple[State, tuple[Effect, ...]]


def start(standing: Mapping[str, StandingCommand], hold: Hold | None = None) -> State:
    """An idle dialogue, or a held one when a ``hold`` was in force before a restart."""
    return State(
        standing=MappingProxyType(dict(standing)),
        phase=Phase.IDLE if hold is None else Phase.HELD,
        hold=hold,
    )


def with_standing(state: State, standing: Mapping[str, StandingCommand]) -> State:
    """The same dialogue with other standing commands; an open question stays what it was."""
    return replace(state, standing=MappingProxyType(dict(standing)))


def longest_s(question: Question) -> float:
    """An upper bound, in seconds without holds, for ``question`` to be over."""
    windows = 2 * question.tries + MOST_REPEATS + MOST_HELPS
    return windows * (LINE_LIMIT_S + question.wait_s + GRACE_S) + question.button_wait_s


def step(state: State, given: Input, now_s: float) -> Stepped:
    """The next state and what to do, for one input at ``now_s`` (seconds, any origin).

    A clock that went back takes its deadlines along, so that waits keep their
    length; one that jumped ahead ends a wait early. Raises ``ValueError`` when
    ``now_s`` is not a finite number.
    """
    if not math.isfinite(now_s):
        raise ValueError(f"the time must be a finite number of seconds, not {now_s!r}")
    state = _at(state, now_s)
    match given:
        case Ask():
            return _ask(state, given, now_s)
        case LineEnded():
            awaited = state.phase is Phase.ASKING and given.line == state.line
            return _listen(state, now_s) if awaited else (state, ())
        case SoundBegan():
            return _sound_began(state, now_s), ()
        case HeardMatch():
            return _heard(state, given, now_s)
        case Pressed():
            return _pressed(state, given)
        case HoldImposed():
            return _held(state, given.kind, now_s), ()
        case HoldCleared():
            return _hold_cleared(state, given, now_s)
        case Withdraw():
            return (state, ()) if state.open is None else _end(state, None, How.WITHDRAWN, 0.0)
        case Tick():
            due = state.deadline_s is not None and now_s >= state.deadline_s
            return _time_out(state, now_s) if due else (state, ())


# --- time -----------------------------------------------------------------------


def _at(state: State, now_s: float) -> State:
    back_s = 0.0 if state.seen_s is None else now_s - state.seen_s
    if back_s >= 0:
        return replace(state, seen_s=now_s)

    def moved(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + back_s

    hold = state.hold and replace(state.hold, since_s=state.hold.since_s + back_s)
    return replace(
        state,
        seen_s=now_s,
        deadline_s=moved(state.deadline_s),
        window_s=moved(state.window_s),
        latest_s=moved(state.latest_s),
        hold=hold,
    )


def _sound_began(state: State, now_s: float) -> State:
    if state.deadline_s is None or state.latest_s is None:
        return state
    put_off_s = min(now_s + GRACE_S, state.latest_s)
    return replace(state, deadline_s=max(state.deadline_s, put_off_s))


def _time_out(state: State, now_s: float) -> Stepped:
    match state.phase:
        case Phase.ASKING:
            return _listen(state, now_s)
        case Phase.LISTENING | Phase.CONFIRMING:
            return _try_failed(state, _asked(state).question.waited, "waited", now_s)
        case _:
            return _end(state, None, How.NOBODY, 0.0)


# --- asking ---------------------------------------------------------------------


def _asked(state: State) -> OpenQuestion:
    if state.open is None:  # the phases that call this always have one
        raise AssertionError(f"no question is open in {state.phase}")
    return state.open


def _ask(state: State, ask: Ask, now_s: float) -> Stepped:
    problem = _why_not(state, ask)
    if problem is not None:
        return state, (AskRefused(ask.event.id, problem),)
    asking = replace(state, open=OpenQuestion(ask.event, ask.question))
    return _say(asking, ask.event.name, "asked", now_s)


def _why_not(state: State, ask: Ask) -> Problem | None:
    where = f"event {ask.event.id!r}"
    if state.hold is not None:
        return Problem(
            f"the table is held ({state.hold.kind}), so nothing is asked",
            where,
            "Send it with another id after the physical reset and hold_cleared.",
        )
    if state.open is not None:
        return Problem(
            f"another question is open ({state.open.question.name!r},"
            f" asked by event {state.open.event.id!r})",
            where,
            "Wait for its answer, then send the event again.",
        )
    question = ask.question
    waits = (question.wait_s, question.button_wait_s)
    if not question.answers or question.tries < 1 or not all(0 < w < math.inf for w in waits):
        return Problem(
            f"the question {question.name!r} could not end: it needs answers,"
            " at least one try, and waits of more than 0 s",
            where,
            "Correct it in the phrasebook.",
        )
    return None


def _say(
    state: State,
    event: str | None,
    reason: str,
    now_s: float,
    more_slots: Mapping[str, SlotValue] | None = None,
) -> Stepped:
    """Say ``event`` and listen when it is over; listen at once when there is none."""
    if event is None:
        return _listen(state, now_s)
    waiting = _await_line(state, now_s)
    slots = MappingProxyType({**_asked(state).event.slots, **(more_slots or {})})
    return waiting, (SayEvent(event, slots, reason, waiting.line),)


def _await_line(state: State, now_s: float) -> State:
    return replace(
        state,
        phase=Phase.ASKING,
        line=state.line + 1,
        deadline_s=now_s + LINE_LIMIT_S,
        window_s=None,
        latest_s=None,
    )


def _listen(state: State, now_s: float) -> Stepped:
    # A line that was cut or expired is followed by listening too: silence then uses a
    # try and the question is put again, which is what the person needs.
    asked = _asked(state)
    deadline_s = now_s + asked.question.wait_s
    listening = replace(
        state,
        phase=Phase.LISTENING if asked.candidate is None else Phase.CONFIRMING,
        deadline_s=deadline_s,
        window_s=now_s,
        latest_s=deadline_s + GRACE_S,
    )
    return listening, ()


def _try_failed(state: State, say: str | None, reason: str, now_s: float) -> Stepped:
    asked = _asked(state)
    asked = replace(asked, failed_tries=asked.failed_tries + 1, candidate=None)
    state = replace(state, open=asked)
    if asked.tries_left:
        return _say(state, say, reason, now_s)
    return _wait_for_button(state, now_s)


def _wait_for_button(state: State, now_s: float) -> Stepped:
    asked = _asked(state)
    waiting = replace(
        state,
        phase=Phase.WAITING_FOR_BUTTON,
        deadline_s=now_s + asked.question.button_wait_s,
        window_s=None,
        latest_s=None,
    )
    if asked.question.give_up is None:
        return waiting, ()
    return waiting, (SayEvent(asked.question.give_up, asked.event.slots, "give_up"),)


def _end(state: State, value: str | None, how: How, certainty: float) -> Stepped:
    asked = _asked(state)
    spoken = how in (How.VOICE, How.CONFIRMED)
    answered = Answered(
        event_id=asked.event.id,
        question=asked.question.name,
        value=value,
        how=how,
        certainty=certainty,
        tries=asked.failed_tries + (1 if spoken else 0),
    )
    ended = replace(
        state,
        phase=Phase.IDLE if state.hold is None else Phase.HELD,
        open=None,
        deadline_s=None,
        window_s=None,
        latest_s=None,
    )
    return ended, (answered,)


# --- hearing --------------------------------------------------------------------


def _heard(state: State, heard: HeardMatch, now_s: float) -> Stepped:
    if heard.verdict is Verdict.IGNORE:
        return state, ()
    meaning = heard.match.meaning
    if meaning in StandingKind.ALL and heard.verdict is not Verdict.ASK_AGAIN:
        uncertain = heard.verdict is Verdict.CONFIRM
        # A hold asked for needlessly costs a press of the reset; one missed costs more.
        # Repeat and help cost a line. Only never mind gives something up, so it must be sure.
        if not (uncertain and meaning == StandingKind.NEVER_MIND):
            return _standing(state, meaning, heard.match, now_s)
    if state.phase not in (Phase.LISTENING, Phase.CONFIRMING) or _too_early(state, heard):
        return state, ()
    if state.phase is Phase.CONFIRMING:
        return _heard_confirming(state, heard, now_s)
    return _heard_answer(state, heard, now_s)


def _too_early(state: State, heard: HeardMatch) -> bool:
    if heard.start_s is None or state.window_s is None:
        return False
    return heard.start_s < state.window_s - EARLY_S


def _heard_answer(state: State, heard: HeardMatch, now_s: float) -> Stepped:
    asked = _asked(state)
    question = asked.question
    value, certainty = heard.match.meaning, heard.match.score
    if value is None or value not in question.answers or heard.verdict is Verdict.ASK_AGAIN:
        return _try_failed(state, question.ask_again, "ask_again", now_s)
    if heard.verdict is Verdict.ACT:
        return _end(state, value, How.VOICE, certainty)
    if question.confirm is None:  # nothing to ask "did you say …?" with
        return _try_failed(state, question.ask_again, "ask_again", now_s)
    state = replace(state, open=replace(asked, candidate=Candidate(value, certainty)))
    return _say(state, question.confirm, "confirm", now_s, {"answer": value})


def _heard_confirming(state: State, heard: HeardMatch, now_s: float) -> Stepped:
    asked = _asked(state)
    question, candidate = asked.question, asked.candidate
    if candidate is None:
        raise AssertionError("confirming without a candidate")
    meaning, certainty = heard.match.meaning, heard.match.score
    certain = heard.verdict is Verdict.ACT
    agreed_certainty = max(certainty, candidate.certainty)
    if meaning == CONFIRM_YES and certain:
        return _end(state, candidate.value, How.CONFIRMED, agreed_certainty)
    named = (
        meaning in question.answers
        and heard.verdict is not Verdict.ASK_AGAIN
        and not answers_clash_with_confirmation(asked)
    )
    if named and meaning == candidate.value:
        # Heard twice over: as good as a yes, even when uncertain both times.
        return _end(state, candidate.value, How.CONFIRMED, agreed_certainty)
    if named and certain:
        return _end(state, meaning, How.VOICE, certainty)
    if named and meaning is not None and asked.tries_left > 1:
        other = replace(
            asked,
            failed_tries=asked.failed_tries + 1,
            candidate=Candidate(meaning, certainty),
        )
        state = replace(state, open=other)
        return _say(state, question.confirm, "confirm", now_s, {"answer": meaning})
    return _try_failed(state, question.ask_again, "ask_again", now_s)


def _standing(state: State, kind: str, heard: Match, now_s: float) -> Stepped:
    if kind in StandingKind.HOLDS:
        return _hold(state, kind, heard, now_s)
    if state.hold is not None and kind == StandingKind.NEVER_MIND:
        # It may be meant for the hold, which no word can end: say again that it is held.
        return state, _reply(state, state.hold.kind)
    if kind == StandingKind.NEVER_MIND:
        if state.open is None:
            return state, ()
        state, answered = _end(state, None, How.WITHDRAWN, heard.score)
        return state, (*answered, *_reply(state, kind))
    if state.open is None or state.hold is not None:
        reply = (RepeatLast(),) if kind == StandingKind.REPEAT else _reply(state, kind)
        return state, reply
    return _once_more(state, kind, now_s)


def _once_more(state: State, kind: str, now_s: float) -> Stepped:
    """Repeat or help inside a question: a bounded number of times, and no try is used."""
    asked = _asked(state)
    repeating = kind == StandingKind.REPEAT
    if repeating and asked.repeats < MOST_REPEATS:
        asked = replace(asked, repeats=asked.repeats + 1)
    elif not repeating and asked.helps < MOST_HELPS:
        asked = replace(asked, helps=asked.helps + 1)
    else:
        return state, ()
    state = replace(state, open=asked)
    reply = (RepeatLast(),) if repeating else _reply(state, kind)
    if state.phase is Phase.WAITING_FOR_BUTTON:
        return state, reply
    if not reply:
        return state, ()
    state = _await_line(state, now_s)
    return state, tuple(replace(said, line=state.line) for said in reply)


def _reply(state: State, kind: str) -> tuple[SayEvent, ...]:
    command = state.standing.get(kind)
    if command is None or command.says is None:
        return ()
    return (SayEvent(command.says, reason=kind),)


# --- holding --------------------------------------------------------------------


def _hold(state: State, kind: str, heard: Match, now_s: float) -> Stepped:
    held = _held(state, kind, now_s)
    in_force = kind if held.hold is None else held.hold.kind
    # Asked for again each time it is said: the first request may have been lost.
    request = HoldRequested(in_force, heard.phrase, heard.score)
    return held, (request, *_reply(state, in_force))


def _held(state: State, kind: str, now_s: float) -> State:
    """The state with the latch set: a hold only ever gets stricter."""
    if state.hold is None:
        hold = Hold(kind, now_s)
    elif kind == StandingKind.STOP:
        hold = replace(state.hold, kind=kind)
    else:
        hold = state.hold
    asked = state.open and replace(state.open, candidate=None)
    return replace(
        state,
        phase=Phase.HELD,
        hold=hold,
        open=asked,
        deadline_s=None,
        window_s=None,
        latest_s=None,
    )


def _hold_cleared(state: State, cleared: HoldCleared, now_s: float) -> Stepped:
    if state.hold is None:
        return state, ()
    ended = HoldEnded(state.hold.kind, cleared.by, max(0.0, now_s - state.hold.since_s))
    state = replace(state, hold=None, phase=Phase.IDLE)
    asked = state.open
    if asked is None:
        return state, (ended,)
    if asked.tries_left:
        state, effects = _say(state, asked.event.name, "asked_after_hold", now_s)
    else:
        state, effects = _wait_for_button(state, now_s)
    return state, (ended, *effects)


# --- buttons --------------------------------------------------------------------


def _pressed(state: State, press: Pressed) -> Stepped:
    where = f"button {press.value!r}"
    if state.hold is not None:
        problem = Problem(
            f"the table is held ({state.hold.kind}), so no answer is taken",
            where,
            "Press it again after the physical reset.",
        )
    elif state.open is None:
        problem = Problem("no question is open", where, "Press it while a question is open.")
    elif press.value not in state.open.question.answers:
        problem = Problem(
            f"not an answer to {state.open.question.name!r}",
            where,
            advice(press.value, state.open.question.answers),
        )
    else:
        return _end(state, press.value, How.BUTTON, 1.0)
    return state, (PressRefused(press.value, problem),)
