"""Slot values that make a wrong sentence: every value in every line."""

from __future__ import annotations

from typing import Any

import pytest
from babel import Locale

from tablevoice.phrasebook.desk.agreement import read_agreement
from tests.phrasebook.desk.books import SLOTS, book

THINGS = {
    **SLOTS,
    "item": ["the mug", "the glass"],
    "tool": ["scissors", "lens", "bus"],
    "pair": ["mug", "boxes"],
    "note": "any",
}


def found(line: Any, language: str = "en", *others: str) -> list[tuple[str, str]]:
    text = book({"turn": [line, *others]}, slots=THINGS, language=language)
    return [(note.code, note.what) for note in read_agreement(text)]


@pytest.mark.parametrize(
    ("line", "code", "reads"),
    [
        ("Call a {colour} now.", "G701", "amber now.” when colour is amber: it is “an amber”"),
        ("An {colour} lamp.", "G701", "“An teal lamp.” when colour is teal: it is “a teal”"),
        ("A {lights} it is.", "G701", "“A 8 it is.” when lights is 8: it is “an 8”"),
        ("You have {lights} lanterns.", "G702", "1 lanterns.” when lights is 1: it is “lantern”"),
        ("{lights} bright paper lanterns!", "G702", "“1 bright paper lanterns!”"),
        ("Only {lights} mice left.", "G702", "“Only 1 mice left.” when lights is 1: it is “mouse”"),
        ("There are {lights} left.", "G703", "“There are 1 left.” when lights is 1: it is “is”"),
        ("Are there {lights} of them?", "G703", "“Are there 1 of them?”"),
        ("There is {lights} left.", "G703", "“There is 2 left.” when lights is 2: it is “are”"),
        ("Put the {item} down.", "G704", "the the mug down.” when item is the mug: “the”"),
        ("Put my {item} down.", "G704", "“my the” is one article too many"),
        ("The {tool} is missing.", "G703", "“The scissors is missing.”"),
        ("The {pair} are here.", "G703", "“The mug are here.”"),
        ("Take these {pair} now.", "G702", "“Take these mug now.”"),
        ("Take this {pair} now.", "G702", "“Take this boxes now.”"),
    ],
)
def test_a_value_that_makes_a_wrong_sentence(line: str, code: str, reads: str) -> None:
    ((found_code, what),) = found(line)
    assert found_code == code
    assert reads in what


def test_a_singular_after_a_number_is_found_where_the_book_knows_the_noun() -> None:
    ((code, what),) = found("You have {lights} lantern.", "en", "Paper lanterns are pretty.")
    assert code == "G702"
    assert "“You have 2 lantern.” when lights is 2: it is “lanterns” of several" in what
    # The slot is called lights, which is a plural in itself.
    assert [code for code, _ in found("That is {lights} light.")] == ["G702"]


@pytest.mark.parametrize(
    "line",
    [
        "The {colour} one.",
        "{lights} in the box, by my count.",
        "I count {lights}. And you?",
        "That makes {lights}.",
        "{lights} is enough.",
        "{lights} more, please.",
        "Lights: {lights}.",
        "{lights} so far. Please check.",
        "{arm} is here.",
        "{arm} and {arm} are here.",
        "You and {item} are here.",
        "I know that {item} is here.",
        "Please take {item}.",
        "The {note} is missing.",
        "A {note} is missing.",
        "Is {item} there?",
        "You are {arm}.",
        "{lights} of five.",
        "Where is {item}?",
    ],
)
def test_what_may_well_be_right_is_not_found(line: str) -> None:
    assert found(line) == []


@pytest.mark.parametrize(
    ("line", "when", "codes"),
    [
        ("{lights} lanterns.", {"lights": {"at_least": 2}}, []),
        ("{lights} lanterns.", {"lights": {"not": 1}}, []),
        ("{lights} lanterns.", {"lights": {"at_least": 1}}, ["G702"]),
        ("{lights} lantern.", {"lights": 1}, []),
        ("An {colour} lamp.", {"colour": "amber"}, []),
        ("An {colour} lamp.", {"colour": ["amber", "teal"]}, ["G701"]),
        ("An {colour} lamp.", {"colour": ["amber", "hour blue"]}, []),
        ("A {colour} lamp.", {"colour": "unicorn white"}, []),
    ],
)
def test_only_values_with_which_the_line_may_come_are_tried(
    line: str, when: dict[str, Any], codes: list[str]
) -> None:
    assert [code for code, _ in found({"say": line, "when": when}, "en", "More.")] == codes


# --- other languages ---------------------------------------------------------------


def test_numbers_that_a_language_tells_apart_need_a_wording_each() -> None:
    ((code, what),) = found("Noch {lights} Lichter.", "de")
    assert code == "G705"
    assert "“0 Lichter” (other), “1 Lichter” (one)" in what
    assert (
        found({"say": "Noch {lights} Lichter.", "when": {"lights": {"at_least": 2}}}, "de", "Gut.")
        == []
    )
    assert found("Es sind {lights} im Kasten.", "de") == []  # no noun: no capital
    ((_, what),) = found("Masz {lights} lampy.", "pl")
    for category in ("one", "few", "many"):
        assert category in Locale("pl").plural_form.rules
        assert f"({category})" in what
    assert found("불이 {lights} 개예요.", "ko") == []  # Korean tells none apart
    assert found("Zz {lights} Qq.", "zz") == []  # nobody knows that language


def test_words_twice_are_found_in_any_language() -> None:
    text = book(
        {"turn": ["Nimm die {ding} mit."]}, slots={"ding": ["Lampe", "die Uhr"]}, language="de"
    )
    (note,) = read_agreement(text)
    assert note.code == "G704"
    assert "“Nimm die die Uhr mit.”" in note.what
