"""Standing commands and holds, case by case."""

from __future__ import annotations

import pytest

from tablevoice.dialogue import start
from tablevoice.dialogue.machine import (
    MOST_HELPS,
    MOST_REPEATS,
)
from tablevoice.dialogue.terms import (
    Answered,
    Ask,
    AskRefused,
    Hold,
    HoldCleared,
    HoldEnded,
    HoldRequested,
    How,
    Phase,
    Pressed,
    PressRefused,
    RepeatLast,
    SayEvent,
    Tick,
    Withdraw,
)
from tablevoice.model import Event, Verdict
from tests.dialogue.table import (
    COLOUR,
    OPEN_PHASES,
    STANDING,
    Played,
    played_to,
)

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
