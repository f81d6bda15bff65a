"""What may be heard in each phase."""

from __future__ import annotations

from dataclasses import replace

from tablevoice.dialogue import expected
from tablevoice.dialogue.terms import CONFIRM_NO, CONFIRM_YES, Phase
from tablevoice.model import Verdict
from tests.dialogue.table import COLOUR, SHALL_WE, Played

STANDING_PHRASES = {
    "pause": "pause",
    "hold on": "pause",
    "stop": "stop",
    "say again": "repeat",
    "help": "help",
    "never mind": "never_mind",
}
ANSWERS = {"amber": "amber", "amber please": "amber", "violet": "violet"}
REPLIES = {"yes": CONFIRM_YES, "correct": CONFIRM_YES, "no": CONFIRM_NO, "wrong": CONFIRM_NO}


def test_standing_commands_are_all_that_is_heard_when_nothing_is_asked() -> None:
    played = Played()
    assert expected(played.state).phrases == STANDING_PHRASES
    played.ask()
    assert expected(played.state).phrases == STANDING_PHRASES
    played.hear("stop")
    assert played.phase is Phase.HELD
    assert expected(played.state).phrases == STANDING_PHRASES


def test_answers_while_listening_and_replies_too_while_confirming() -> None:
    played = Played().asked()
    assert expected(played.state).phrases == {**ANSWERS, **STANDING_PHRASES}
    played.hear("violet", Verdict.CONFIRM)
    assert expected(played.state).phrases == STANDING_PHRASES
    played.line_ends()
    assert expected(played.state).phrases == {**ANSWERS, **REPLIES, **STANDING_PHRASES}
    assert expected(played.state).meanings >= {"amber", CONFIRM_YES, "stop"}


def test_no_answer_is_heard_while_waiting_for_the_button() -> None:
    played = Played().asked()
    while played.phase is not Phase.WAITING_FOR_BUTTON:
        played.time_out()
    assert expected(played.state).phrases == STANDING_PHRASES


def test_a_standing_phrase_wins_over_an_answer_of_the_same_words() -> None:
    played = Played().asked(replace(COLOUR, answers={"halt": ("stop", "halt")}))
    assert expected(played.state).phrases == {"halt": "halt", **STANDING_PHRASES}


def test_a_yes_or_no_question_hears_only_yes_and_no_while_confirming() -> None:
    played = Played().asked(SHALL_WE)
    assert expected(played.state).phrases["go on"] == "yes"
    played.hear("no", Verdict.CONFIRM)
    played.line_ends()
    assert expected(played.state).phrases == {
        "yes": CONFIRM_YES,
        "no": CONFIRM_NO,
        **STANDING_PHRASES,
    }
