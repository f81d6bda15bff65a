"""Lines in which the table would hear itself."""

from __future__ import annotations

from typing import Any

import pytest

from tablevoice.phrasebook.desk.self_hearing import read_self_hearing
from tests.phrasebook.desk.books import SLOTS, book, codes

MORE: dict[str, Any] = {
    "standing": {
        "pause": {"phrases": ["pause", "hold on"]},
        "never_mind": {"phrases": ["never mind"]},
        "stop": {"phrases": ["stop"]},
    },
    "questions": {
        "colour": {
            "answers": {"teal": ["teal"], "blue": ["hour blue", "deep blue"]},
            "ask_again": "again",
            "confirm": "confirm",
            "yes": ["yes"],
            "no": ["no"],
        }
    },
}
AGAIN = {"slots": [], "lines": ["Once more?"]}
CONFIRM = {"slots": ["answer"], "lines": ["Was it {answer}?"]}


def found(
    lines: list[Any],
    asks: str | None = None,
    again: Any = AGAIN,
    confirm: Any = CONFIRM,
    slots: Any = SLOTS,
) -> list[str]:
    event = {"slots": list(slots), "lines": lines, **({"asks": asks} if asks else {})}
    asking = {"asking": {"lines": ["Which one?"], "asks": "colour"}} if not asks else {}
    text = book(
        {"turn": event, "again": again, "confirm": confirm, **asking},
        slots={**slots, "answer": ["teal", "blue"]},
        **MORE,
    )
    return [f"{note.code} {note.what}" for note in read_self_hearing(text)]


@pytest.mark.parametrize(
    "line", ["Please pause here.", "Now STOP!", "Never mind that.", "Hold, on it goes."]
)
def test_a_standing_command_in_a_line(line: str) -> None:
    (one,) = found([line])
    assert one.startswith("H401")


@pytest.mark.parametrize(
    "line",
    [
        "It has stopped.",
        "Pauses are good.",
        "Never, mind you, {arm}.",
        "Hold it on the left.",
        "I hold {arm} on.",
    ],
)
def test_what_only_looks_like_one(line: str) -> None:
    # "never, mind" is the same to a microphone as "never mind".
    assert [one[:4] for one in found([line])] == (["H401"] if "mind" in line else [])


def test_an_answer_matters_where_it_is_listened_for() -> None:
    assert found(["Teal is pretty."]) == []
    (one,) = found(["Teal, or what?"], asks="colour")
    assert one.startswith("H402")
    (one,) = found(["Fine."], again={"lines": ["Teal, was it?"]})
    assert one.startswith("H402")


def test_the_slot_that_a_confirmation_repeats_is_let_pass_and_its_yes_is_not() -> None:
    assert found(["Fine."]) == []
    (one,) = found(["Fine."], confirm={"slots": ["answer"], "lines": ["{answer}, yes or no?"]})[:1]
    assert "“yes”" in one


def test_a_value_that_is_an_answer_is_tried_in_a_question() -> None:
    (one,) = found(["What goes with {colour}?"], asks="colour")
    assert one.startswith("H402")
    assert "when colour is “teal”" in one
    conditional = {"say": "What goes with {colour}?", "when": {"colour": "amber"}}
    assert found([conditional, "What now?"], asks="colour") == []


def test_a_command_across_the_seam_of_a_slot_is_found_with_its_value() -> None:
    slots = {"thing": ["mind reader", "lamp"]}
    (one,) = found(["I never {thing} it."], slots=slots)
    assert "“never mind” when thing is “mind reader”" in one
    assert found(["I ever {thing} it."], slots=slots) == []
    (one,) = found(["Take {thing} on."], slots={"thing": ["the hold", "lamp"]})
    assert "“hold on”" in one


def test_a_command_in_a_value_is_the_slots_and_told_once() -> None:
    slots = {"thing": ["the stop light", "lamp"]}
    (one,) = found(["Take {thing}.", "Bring {thing}.", "See {thing}."], slots=slots)
    assert "the value “the stop light” of slot 'thing'" in one


def test_korean_commands_are_found_too() -> None:
    text = book(
        {"turn": {"lines": ["다시 말해요.", "좋아요."]}},
        slots={},
        language="ko",
        standing={"repeat": {"phrases": ["다시"]}},
    )
    assert codes(read_self_hearing(text)) == ["H401"]
