"""The dialogue, case by case."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tablevoice.dialogue import start
from tablevoice.dialogue.machine import (
    EARLY_S,
    GRACE_S,
    LINE_LIMIT_S,
    MOST_HELPS,
    MOST_REPEATS,
)
from tablevoice.dialogue.terms import (
    CONFIRM_NO,
    CONFIRM_YES,
    Answered,
    Ask,
    AskRefused,
    Hold,
    HoldCleared,
    HoldEnded,
    HoldRequested,
    How,
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
from tablevoice.model import Event, Verdict
from tests.dialogue.table import COLOUR, EVENT, SHALL_WE, STANDING, Played

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


def played_to(phase: Phase) -> Played:
    played = Played()
    played.ask()
    if phase is Phase.ASKING:
        return played
    played.line_ends()
    if phase is Phase.CONFIRMING:
        played.hear("violet", Verdict.CONFIRM)
        played.line_ends()
    elif phase is Phase.WAITING_FOR_BUTTON:
        while played.phase is not Phase.WAITING_FOR_BUTTON:
            played.time_out()
    assert played.phase is phase
    return played


OPEN_PHASES = (Phase.ASKING, Phase.LISTENING, Phase.CONFIRMING, Phase.WAITING_FOR_BUTTON)


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


# --- standing commands ----------------------------------------------------------


@pytest.mark.parametrize("phase", OPEN_PHASES)
def test_never_mind_withdraws_the_question(phase: Phase) -> None:
    played = played_to(phase)
    answered, reply = played.hear("never_mind", score=0.8)
    assert isinstance(answered, Answered)
    assert (answered.value, answered.how, answered.certainty) == (None, How.WITHDRAWN, 0.8)
    assert reply == SayEvent("never_minded", reason="never_mind")
    assert played.phase is Phase.IDLE


def test_an_uncertain_never_mind_gives_nothing_up() -> None:
    played = Played().asked()
    played.hear("never_mind", Verdict.CONFIRM)
    assert played.answers == []
    assert played.said[-1] == "ask_again"


def test_never_mind_without_a_question_does_nothing() -> None:
    assert Played().hear("never_mind") == ()


@pytest.mark.parametrize("phase", [Phase.ASKING, Phase.LISTENING, Phase.CONFIRMING])
def test_repeat_says_the_line_again_uses_no_try_and_is_bounded(phase: Phase) -> None:
    played = played_to(phase)
    after = Phase.CONFIRMING if phase is Phase.CONFIRMING else Phase.LISTENING
    for _ in range(MOST_REPEATS):
        assert played.hear("repeat") == (RepeatLast(played.state.line),)
        assert played.phase is Phase.ASKING
        played.line_ends()
        assert played.phase is after
    before = played.state
    assert played.hear("repeat") == ()
    assert played.state == before
    assert before.open is not None
    assert before.open.failed_tries == 0


def test_help_is_said_and_the_question_waits_anew() -> None:
    played = Played().asked()
    for _ in range(MOST_HELPS):
        played.now_s += 5.0
        assert played.hear("help") == (SayEvent("helping", {}, "help", line=played.state.line),)
        played.line_ends()
        assert played.phase is Phase.LISTENING
        assert played.state.deadline_s == played.now_s + 6.0
    assert played.hear("help") == ()
    assert played.hear("amber")[0] == Answered("e1", "colour", "amber", How.VOICE, 0.9, tries=1)


def test_repeat_and_help_while_waiting_for_the_button_do_not_put_it_off() -> None:
    played = played_to(Phase.WAITING_FOR_BUTTON)
    deadline_s = played.state.deadline_s
    played.now_s += 10.0
    assert played.hear("repeat") == (RepeatLast(),)
    assert played.hear("help") == (SayEvent("helping", reason="help"),)
    assert (played.phase, played.state.deadline_s) == (Phase.WAITING_FOR_BUTTON, deadline_s)


def test_repeat_and_help_work_with_no_question_open() -> None:
    played = Played()
    assert played.hear("repeat") == (RepeatLast(),)
    assert played.hear("help") == (SayEvent("helping", reason="help"),)
    assert played.phase is Phase.IDLE


def test_help_without_a_line_changes_no_wait() -> None:
    played = Played(start({})).asked()
    deadline_s = played.state.deadline_s
    assert played.hear("help") == ()
    assert (played.phase, played.state.deadline_s) == (Phase.LISTENING, deadline_s)


# --- holding --------------------------------------------------------------------


@pytest.mark.parametrize("verdict", [Verdict.ACT, Verdict.CONFIRM])
@pytest.mark.parametrize("phase", [Phase.IDLE, *OPEN_PHASES])
@pytest.mark.parametrize("kind", ["pause", "stop"])
def test_a_hold_is_asked_for_and_latched(phase: Phase, kind: str, verdict: Verdict) -> None:
    played = Played() if phase is Phase.IDLE else played_to(phase)
    effects = played.hear(kind, verdict, 0.7)
    assert effects == (
        HoldRequested(kind, kind, 0.7),
        SayEvent(str(STANDING[kind].says), reason=kind),
    )
    assert played.phase is Phase.HELD
    assert played.state.deadline_s is None
    assert played.give(Tick(), 1e6) == ()
    assert played.phase is Phase.HELD


def test_a_hold_gets_stricter_and_never_milder() -> None:
    played = Played()
    played.hear("pause")
    assert played.hear("pause")[0] == HoldRequested("pause", "pause", 0.9)
    assert played.hear("stop")[0] == HoldRequested("stop", "stop", 0.9)
    assert played.hear("pause")[0] == HoldRequested("stop", "pause", 0.9)
    assert played.state.hold is not None
    assert played.state.hold.kind == "stop"


def test_a_held_table_takes_no_answer_no_button_and_no_question() -> None:
    played = Played().asked()
    played.hear("stop")
    assert played.hear("amber") == ()
    assert played.hear(None, Verdict.ASK_AGAIN) == ()
    (press,) = played.give(Pressed("amber"))
    assert isinstance(press, PressRefused)
    assert "held" in press.problem.what
    (ask,) = played.give(Ask(Event("e2", "colour_asked"), COLOUR))
    assert isinstance(ask, AskRefused)
    assert "held (stop)" in ask.problem.what
    assert played.answers == []


def test_never_mind_does_not_end_a_hold_nor_lose_its_question() -> None:
    played = Played().asked()
    played.hear("stop")
    assert played.hear("never_mind") == (SayEvent("stopped", reason="stop"),)
    assert played.phase is Phase.HELD
    assert played.state.open is not None


def test_repeat_and_help_answer_during_a_hold() -> None:
    played = Played().asked()
    played.hear("pause")
    assert played.hear("repeat") == (RepeatLast(),)
    assert played.hear("help") == (SayEvent("helping", reason="help"),)
    assert played.phase is Phase.HELD


def test_after_the_reset_the_question_is_put_again_with_the_tries_left() -> None:
    played = Played().asked()
    played.hear(None, Verdict.ASK_AGAIN)
    played.line_ends()
    played.hear("violet", Verdict.CONFIRM)
    played.line_ends()
    played.hear("stop")
    played.now_s += 500.0
    ended, say = played.give(HoldCleared("reset key"))
    assert ended == HoldEnded("stop", "reset key", 500.0)
    assert say == SayEvent("colour_asked", {"lights": 4}, "asked_after_hold", played.state.line)
    played.line_ends()
    assert played.phase is Phase.LISTENING  # what was doubtful before the hold is forgotten
    assert played.hear("amber")[0] == Answered("e1", "colour", "amber", How.VOICE, 0.9, tries=2)


def test_after_the_reset_a_question_without_tries_waits_for_the_button_again() -> None:
    played = played_to(Phase.WAITING_FOR_BUTTON)
    played.hear("pause")
    _, say = played.give(HoldCleared("reset key"), 100.0)
    assert say == SayEvent("use_the_button", {"lights": 4}, "give_up")
    assert played.state.deadline_s == played.now_s + 60.0
    played.time_out()
    assert [answer.how for answer in played.answers] == [How.NOBODY]


def test_a_reset_of_an_idle_held_table_and_of_one_not_held() -> None:
    played = Played()
    assert played.give(HoldCleared("reset key")) == ()
    played.hear("pause")
    assert played.give(HoldCleared("reset key"), 2.0) == (HoldEnded("pause", "reset key", 2.0),)
    assert played.phase is Phase.IDLE


def test_the_controller_may_take_a_question_back_during_a_hold_which_stays() -> None:
    played = Played().asked()
    played.hear("stop")
    (answered,) = played.give(Withdraw())
    assert isinstance(answered, Answered)
    assert played.phase is Phase.HELD


def test_a_hold_from_before_a_restart_is_still_in_force() -> None:
    played = Played(start(STANDING, Hold("stop", 0.0)))
    assert played.phase is Phase.HELD
    assert isinstance(played.ask()[0], AskRefused)


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
