"""The dialogue's three promises, held against random sessions."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from tablevoice.dialogue import expected, longest_s, start, step
from tablevoice.dialogue.terms import (
    CONFIRM_NO,
    CONFIRM_YES,
    Answered,
    Ask,
    AskRefused,
    Effect,
    HeardMatch,
    HoldCleared,
    HoldEnded,
    HoldRequested,
    Input,
    LineEnded,
    Phase,
    Pressed,
    RepeatLast,
    SayEvent,
    SoundBegan,
    State,
    Tick,
    Withdraw,
)
from tablevoice.model import Event, Match, Question, StandingKind, Verdict
from tests.dialogue.table import COLOUR, SHALL_WE, STANDING

MEANINGS = (
    "amber", "violet", "yes", "no", CONFIRM_YES, CONFIRM_NO, *StandingKind.ALL, None, "moth",
)  # fmt: skip
matches = st.builds(
    Match,
    st.sampled_from(MEANINGS),
    st.just("words"),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
)
heard = st.builds(
    HeardMatch,
    matches,
    st.sampled_from(Verdict),
    st.none() | st.floats(-10.0, 1e4),
)
events = st.none() | st.just("some_event")
questions = st.builds(
    replace,
    st.sampled_from([COLOUR, SHALL_WE]),
    tries=st.integers(1, 4),
    wait_s=st.floats(0.1, 20.0),
    button_wait_s=st.floats(0.1, 100.0),
    ask_again=events,
    waited=events,
    confirm=events,
    give_up=events,
)


class Session(RuleBasedStateMachine):
    """Any inputs in any order, on a clock that may also jump, with the promises as invariants."""

    def __init__(self) -> None:
        super().__init__()
        self.state: State = start(STANDING)
        self.now_s = 0.0
        self.asks = 0
        self.open: set[str] = set()
        self.over: set[str] = set()
        self.lines: set[int] = set()

    @initialize(has_standing=st.booleans())
    def begin(self, has_standing: bool) -> None:
        self.state = start(STANDING if has_standing else {})

    def give(self, given_input: Input) -> tuple[Effect, ...]:
        before = self.state
        self.state, effects = step(before, given_input, self.now_s)
        self.check(before, given_input, effects)
        return effects

    def check(self, before: State, given_input: Input, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            if isinstance(effect, Answered | AskRefused):
                assert effect.event_id not in self.over, "answered twice"
                self.over.add(effect.event_id)
                self.open.discard(effect.event_id)
            if isinstance(effect, Answered):
                assert effect.tries >= 0
                assert 0.0 <= effect.certainty <= 1.0
            if isinstance(effect, SayEvent | RepeatLast) and effect.line is not None:
                assert effect.line not in self.lines, "a line's number is used once"
                self.lines.add(effect.line)
                assert effect.line == self.state.line
            if isinstance(effect, HoldRequested):
                assert isinstance(given_input, HeardMatch)
            if isinstance(effect, HoldEnded):
                assert isinstance(given_input, HoldCleared)
        if before.hold is not None and not isinstance(given_input, HoldCleared):
            assert self.state.phase is Phase.HELD, "something else than the reset ended a hold"
            assert self.state.hold is not None
            if before.hold.kind == StandingKind.STOP:
                assert self.state.hold.kind == StandingKind.STOP, "a stop became milder"
        if (
            isinstance(given_input, HeardMatch)
            and given_input.verdict is Verdict.IGNORE
            and before.seen_s == self.now_s
        ):
            assert (self.state, effects) == (before, ()), "an ignored sound changed something"

    @rule(seconds=st.floats(0.0, 200.0))
    def time_passes(self, seconds: float) -> None:
        self.now_s += seconds

    @rule(seconds=st.floats(-1e9, 1e9))
    def clock_jumps(self, seconds: float) -> None:
        self.now_s += seconds

    @rule(question=questions)
    def ask(self, question: Question) -> None:
        self.asks += 1
        event = Event(f"e{self.asks}", "colour_asked")
        self.open.add(event.id)
        self.give(Ask(event, question))

    @rule(what=heard)
    def hear(self, what: HeardMatch) -> None:
        self.give(what)

    @precondition(lambda self: self.state.phase in (Phase.LISTENING, Phase.CONFIRMING))
    @rule(data=st.data(), verdict=st.sampled_from(Verdict))
    def hear_something_expected(self, data: st.DataObject, verdict: Verdict) -> None:
        meaning = data.draw(st.sampled_from(sorted(expected(self.state).meanings)))
        self.give(HeardMatch(Match(meaning, "words", 0.5, 0.1), verdict))

    @rule(line=st.integers(0, 40))
    def some_line_ends(self, line: int) -> None:
        self.give(LineEnded(line))

    @rule()
    def the_line_ends(self) -> None:
        self.give(LineEnded(self.state.line))

    @rule(value=st.sampled_from(["amber", "violet", "yes", "moth", ""]))
    def press(self, value: str) -> None:
        self.give(Pressed(value))

    @rule(given_input=st.sampled_from([Tick(), SoundBegan(), Withdraw()]))
    def other(self, given_input: Input) -> None:
        self.give(given_input)

    @rule()
    def clear_hold(self) -> None:
        self.give(HoldCleared("reset key"))

    @invariant()
    def exactly_the_open_question_is_unanswered(self) -> None:
        state = self.state
        assert self.open == ({state.open.event.id} if state.open is not None else set())
        assert (state.phase is Phase.HELD) == (state.hold is not None)
        waiting = state.phase not in (Phase.IDLE, Phase.HELD)
        assert (state.deadline_s is not None) == waiting
        assert not waiting or state.open is not None

    @invariant()
    def ticks_alone_lead_to_the_end(self) -> None:
        state, now_s = self.state, self.now_s
        answered = 0
        if state.phase is Phase.HELD or state.open is None:
            return
        bound = 2 * state.open.tries_left + 1
        # Each try is at most a line and a wait; then comes the wait for the button.
        for _ in range(bound):
            if state.deadline_s is None:
                break
            # A clock may have gone back since the last input; the machine moves its deadline.
            now_s = max(now_s, state.deadline_s)
            state, effects = step(state, Tick(), now_s)
            answered += sum(isinstance(effect, Answered) for effect in effects)
        assert state.phase is Phase.IDLE, f"still {state.phase} after {bound} ticks"
        assert answered == 1


TestSession = Session.TestCase
TestSession.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


@settings(max_examples=100, deadline=None)
@given(
    question=questions,
    noise=st.lists(st.tuples(st.floats(0.01, 3.0), heard | st.just(SoundBegan())), min_size=1),
)
def test_no_talk_keeps_a_question_open_beyond_its_longest_time(
    question: Question, noise: list[tuple[float, Input]]
) -> None:
    """People talk without end, in any words but those of a hold; lines are never reported over."""
    spoken = [
        (gap_s, what)
        for gap_s, what in noise
        if not (isinstance(what, HeardMatch) and what.match.meaning in StandingKind.HOLDS)
    ] or [(1.0, SoundBegan())]
    state, _ = step(start(STANDING), Ask(Event("e1", "colour_asked"), question), 0.0)
    now_s, turn = 0.0, 0
    while state.open is not None:
        gap_s, what = spoken[turn % len(spoken)]
        turn += 1
        until_s = now_s + gap_s
        while state.deadline_s is not None and state.deadline_s <= until_s:
            now_s = max(now_s, state.deadline_s)
            state, _ = step(state, Tick(), now_s)
        now_s = until_s
        state, _ = step(state, what, now_s)
        assert now_s <= longest_s(question) + gap_s
    assert state.phase is Phase.IDLE


@pytest.mark.parametrize("kind", StandingKind.HOLDS)
@pytest.mark.parametrize("verdict", list(Verdict))
@pytest.mark.parametrize("second_verdict", list(Verdict))
def test_no_two_things_heard_lead_out_of_a_hold(
    kind: str, verdict: Verdict, second_verdict: Verdict
) -> None:
    """Exhaustive over every pair of meanings and verdicts, with and without an open question."""
    hold = HeardMatch(Match(kind, kind, 0.9, 0.3), Verdict.ACT)
    idle = start(STANDING)
    asking, _ = step(idle, Ask(Event("e1", "colour_asked"), COLOUR), 0.0)
    listening, _ = step(asking, LineEnded(1), 1.0)
    for begin in (idle, asking, listening):
        held, _ = step(begin, hold, 2.0)
        for first in MEANINGS:
            once, _ = step(held, HeardMatch(Match(first, "w", 0.9, 0.3), verdict), 3.0)
            for second in MEANINGS:
                said = HeardMatch(Match(second, "w", 0.9, 0.3), second_verdict)
                twice, effects = step(once, said, 4.0)
                assert once.phase is twice.phase is Phase.HELD
                assert twice.open == held.open
                assert not any(isinstance(e, Answered | HoldEnded) for e in effects)
                assert twice.hold is not None
                acting = (Verdict.ACT, Verdict.CONFIRM)
                heard_stop = (first == "stop" and verdict in acting) or (
                    second == "stop" and second_verdict in acting
                )
                escalated = kind == "stop" or heard_stop
                assert twice.hold.kind == ("stop" if escalated else "pause")
