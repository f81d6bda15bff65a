"""The dialogue, case by case."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tablevoice.dialogue.machine import (
    EARLY_S,
    GRACE_S,
    LINE_LIMIT_S,
)
from tablevoice.dialogue.terms import (
    CONFIRM_NO,
    CONFIRM_YES,
    Answered,
    Ask,
    AskRefused,
    HoldCleared,
    HoldEnded,
    How,
    LineEnded,
    Phase,
    Pressed,
    PressRefused,
    SayEvent,
    SoundBegan,
    Tick,
    Withdraw,
)
from tablevoice.model import Event, Verdict
from tests.dialogue.table import (
    COLOUR,
    EVENT,
    OPEN_PHASES,
    SHALL_WE,
    Played,
    played_to,
)

# --- answering ------------------------------------------------------------------


def test_a_clear_answer_is_taken_at_once() -> None:
    played = Played()
    assert played.ask() == (SayEvent("colour_asked", {"lights": 4}, "asked", line=1),)
    assert played.state.phase is Phase.ASKING
    played.line_ends()
    assert played.state.open is not None
    assert played.hear("violet", score=0.83) == (
        Answered("e1", "colour", "violet", How.VOICE, 0.83, tries=1),
    )
    assert played.phase is Phase.IDLE
    assert played.state.deadline_s is None


def test_an_answer_while_the_question_sounds_is_not_taken() -> None:
    played = Played()
    played.ask()
    assert played.hear("violet") == ()
    assert played.phase is Phase.ASKING


def test_an_answer_that_began_before_the_question_was_over_is_not_taken() -> None:
    played = Played().asked()
    began_s = played.now_s
    assert played.hear("violet", start_s=began_s - EARLY_S - 0.1) == ()
    assert played.phase is Phase.LISTENING
    assert played.hear("violet", start_s=began_s - EARLY_S / 2)[0] == Answered(
        "e1", "colour", "violet", How.VOICE, 0.9, tries=1
    )


@pytest.mark.parametrize(
    ("then", "value", "how", "certainty"),
    [
        (CONFIRM_YES, "violet", How.CONFIRMED, 0.9),
        ("violet", "violet", How.CONFIRMED, 0.9),
        ("amber", "amber", How.VOICE, 0.9),
    ],
)
def test_an_uncertain_answer_is_confirmed(
    then: str, value: str, how: How, certainty: float
) -> None:
    played = Played().asked()
    assert played.hear("violet", Verdict.CONFIRM, 0.6) == (
        SayEvent("colour_confirm", {"lights": 4, "answer": "violet"}, "confirm", line=2),
    )
    assert played.state.phase is Phase.ASKING
    played.line_ends()
    assert played.phase is Phase.CONFIRMING
    assert played.hear(then) == (Answered("e1", "colour", value, how, certainty, tries=1),)


def test_the_same_uncertain_answer_twice_counts_as_confirmed() -> None:
    played = Played().asked()
    played.hear("violet", Verdict.CONFIRM, 0.6)
    played.line_ends()
    (answered,) = played.hear("violet", Verdict.CONFIRM, 0.55)
    assert answered == Answered("e1", "colour", "violet", How.CONFIRMED, 0.6, tries=1)


def test_another_uncertain_answer_is_confirmed_in_its_turn_and_uses_a_try() -> None:
    played = Played().asked()
    for answer, tries in (("violet", 3), ("amber", 2), ("violet", 1)):
        (say,) = played.hear(answer, Verdict.CONFIRM, 0.6)
        assert isinstance(say, SayEvent)
        assert say.slots["answer"] == answer
        played.line_ends()
        assert played.state.open is not None
        assert played.state.open.tries_left == tries
    played.hear("amber", Verdict.CONFIRM, 0.6)
    assert played.phase is Phase.WAITING_FOR_BUTTON


@pytest.mark.parametrize(
    ("meaning", "verdict"),
    [
        (CONFIRM_NO, Verdict.ACT),
        (CONFIRM_NO, Verdict.CONFIRM),
        (CONFIRM_YES, Verdict.CONFIRM),
        (None, Verdict.ASK_AGAIN),
        ("violet", Verdict.ASK_AGAIN),
    ],
)
def test_what_is_no_clear_yes_asks_again(meaning: str | None, verdict: Verdict) -> None:
    played = Played().asked()
    played.hear("violet", Verdict.CONFIRM, 0.6)
    played.line_ends()
    (say,) = played.hear(meaning, verdict)
    assert isinstance(say, SayEvent)
    assert (say.event, say.reason) == ("colour_misheard", "ask_again")
    played.line_ends()
    assert played.phase is Phase.LISTENING  # the doubtful answer is forgotten
    assert played.hear("amber")[0] == Answered("e1", "colour", "amber", How.VOICE, 0.9, tries=2)


def test_without_a_confirming_event_an_uncertain_answer_is_asked_for_again() -> None:
    played = Played().asked(replace(COLOUR, confirm=None))
    played.hear("violet", Verdict.CONFIRM)
    assert played.said[-1] == "ask_again"


def test_to_did_you_say_no_a_yes_confirms_the_no() -> None:
    played = Played().asked(SHALL_WE)
    played.hear("no", Verdict.CONFIRM, 0.6)
    played.line_ends()
    assert played.hear("yes") == ()  # "go on", say: the answer yes is not on offer now
    assert played.state.open is not None
    assert played.state.open.tries_left == SHALL_WE.tries - 1
    played = Played().asked(SHALL_WE)
    played.hear("no", Verdict.CONFIRM, 0.6)
    played.line_ends()
    (answered,) = played.hear(CONFIRM_YES)
    assert isinstance(answered, Answered)
    assert answered.value == "no"


# --- tries, time-outs, the button -----------------------------------------------


def test_mishearing_silence_and_a_refused_confirmation_each_use_a_try() -> None:
    played = Played().asked()
    played.hear(None, Verdict.ASK_AGAIN)
    played.line_ends()
    played.time_out()
    assert played.said == ["asked", "ask_again", "waited"]
    played.line_ends()
    played.hear("amber", Verdict.CONFIRM)
    played.line_ends()
    effects = played.hear(CONFIRM_NO)
    assert effects == (SayEvent("use_the_button", {"lights": 4}, "give_up"),)
    assert played.phase is Phase.WAITING_FOR_BUTTON
    assert played.state.deadline_s == played.now_s + 60.0
    assert played.hear("amber") == ()  # by now only the button counts
    assert played.time_out() == (Answered("e1", "colour", None, How.NOBODY, 0.0, tries=3),)


def test_silence_all_the_way_ends_with_nobody() -> None:
    played = Played()
    played.ask(replace(COLOUR, ask_again=None, waited=None, give_up=None))
    steps = 0
    while played.phase is not Phase.IDLE:
        played.time_out()
        steps += 1
    assert steps == 1 + 3 + 1  # the line, three waits, the button's wait
    assert played.now_s == pytest.approx(LINE_LIMIT_S + 3 * 6.0 + 60.0)
    assert played.answers == [Answered("e1", "colour", None, How.NOBODY, 0.0, tries=3)]




@pytest.mark.parametrize("phase", OPEN_PHASES)
def test_a_button_answers_at_once(phase: Phase) -> None:
    played = played_to(phase)
    (answered,) = played.give(Pressed("amber"))
    assert isinstance(answered, Answered)
    assert (answered.value, answered.how, answered.certainty) == ("amber", How.BUTTON, 1.0)
    assert answered.tries == (3 if phase is Phase.WAITING_FOR_BUTTON else 0)
    assert played.phase is Phase.IDLE


@pytest.mark.parametrize("phase", OPEN_PHASES)
def test_a_button_that_is_no_answer_is_refused_with_the_nearest(phase: Phase) -> None:
    played = played_to(phase)
    before = played.state
    (refused,) = played.give(Pressed("ambre"))
    assert isinstance(refused, PressRefused)
    assert "'amber'" in refused.problem.do
    assert played.state == before


def test_a_button_with_no_question_open_is_refused() -> None:
    (refused,) = Played().give(Pressed("amber"))
    assert isinstance(refused, PressRefused)
    assert "no question" in refused.problem.what


def test_noise_changes_nothing_and_puts_off_nothing() -> None:
    for phase in OPEN_PHASES:
        played = played_to(phase)
        before = played.state
        for meaning in (None, "amber", "stop", "never_mind"):
            assert played.hear(meaning, Verdict.IGNORE) == ()
        assert played.state == before


def test_speech_in_progress_puts_the_time_out_off_but_not_for_ever() -> None:
    played = Played().asked()
    first_deadline_s = played.state.deadline_s
    assert first_deadline_s is not None
    played.give(SoundBegan())
    assert played.state.deadline_s == first_deadline_s  # long before the end: nothing to put off
    for _ in range(100):
        played.give(SoundBegan(), 0.1)
        assert played.state.deadline_s is not None
        assert played.state.deadline_s <= first_deadline_s + GRACE_S
    assert played.state.deadline_s == first_deadline_s + GRACE_S


def test_an_early_tick_and_a_stale_line_change_nothing() -> None:
    played = Played().asked()
    phase, deadline_s = played.phase, played.state.deadline_s
    assert played.give(Tick(), 0.5) == ()
    assert played.give(LineEnded(1)) == ()
    assert played.give(LineEnded(99)) == ()
    assert (played.phase, played.state.deadline_s) == (phase, deadline_s)


def test_the_end_of_an_earlier_line_does_not_end_the_wait_for_a_later_one() -> None:
    played = Played()
    played.ask()
    first = played.state.line
    played.hear("repeat")
    played.give(LineEnded(first))
    assert played.state.phase is Phase.ASKING
    played.line_ends()
    assert played.phase is Phase.LISTENING


# --- asking ---------------------------------------------------------------------


def test_a_second_question_is_refused_and_the_first_stays() -> None:
    played = Played().asked()
    before = played.state
    (refused,) = played.give(Ask(Event("e2", "colour_asked"), COLOUR))
    assert isinstance(refused, AskRefused)
    assert refused.event_id == "e2"
    assert "another question is open" in refused.problem.what
    assert "'e1'" in refused.problem.what
    assert played.state == before


@pytest.mark.parametrize(
    "bad",
    [
        {"tries": 0},
        {"wait_s": 0.0},
        {"wait_s": math.nan},
        {"wait_s": math.inf},
        {"button_wait_s": -1.0},
        {"answers": {}},
    ],
)
def test_a_question_that_could_not_end_is_refused(bad: dict[str, object]) -> None:
    (refused,) = Played().ask(replace(COLOUR, **bad))  # type: ignore[arg-type]
    assert isinstance(refused, AskRefused)
    assert refused.problem.do


@pytest.mark.parametrize("phase", OPEN_PHASES)
def test_the_controller_may_take_its_question_back(phase: Phase) -> None:
    played = played_to(phase)
    (answered,) = played.give(Withdraw())
    assert isinstance(answered, Answered)
    assert (answered.value, answered.how) == (None, How.WITHDRAWN)
    assert played.give(Withdraw()) == ()


# --- the clock ------------------------------------------------------------------


def test_a_clock_that_goes_back_keeps_the_length_of_the_wait() -> None:
    played = Played()
    played.now_s = 1_000_000.0
    played.asked()
    played.give(Tick(), 2.0)  # 4 s are left
    played.give(Tick(), -1_000_000.0)
    assert played.state.deadline_s == pytest.approx(played.now_s + 4.0)
    played.give(Tick(), 4.1)
    assert played.said[-1] == "waited"


def test_a_clock_that_jumps_ahead_ends_one_wait_only() -> None:
    played = Played().asked()
    assert played.give(Tick(), 1e9) == (
        SayEvent("waited_too_long", {"lights": 4}, "waited", line=2),
    )
    assert played.give(Tick()) == ()


def test_a_clock_that_goes_back_in_a_hold_gives_no_negative_length() -> None:
    played = Played()
    played.now_s = 100.0
    played.hear("pause")
    played.give(Tick(), 5.0)
    played.give(Tick(), -50.0)
    (ended,) = played.give(HoldCleared("reset key"), 1.0)
    assert isinstance(ended, HoldEnded)
    assert ended.held_s == pytest.approx(6.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_time_that_is_no_number_is_refused(bad: float) -> None:
    played = Played()
    played.now_s = bad
    with pytest.raises(ValueError, match="finite"):
        played.give(Tick())


def test_asking_keeps_the_event_it_was_asked_with() -> None:
    played = Played().asked()
    assert played.state.open is not None
    assert played.state.open.event == EVENT
