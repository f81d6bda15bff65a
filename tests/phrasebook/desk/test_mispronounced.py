"""What engines say wrongly: found with what to write instead, and nothing else found."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.phrasebook.desk.mispronounced import (
    ABBREVIATIONS,
    read_mispronounced,
    troubles,
    unit_names,
)
from tests.phrasebook.desk.books import book


def told(text: str, language: str = "en-GB") -> list[tuple[str, str, str]]:
    return [(one.code, one.found, one.instead) for one in troubles(text, language)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Take 5 lamps.", [("P501", "5", "five")]),
        ("It is 10:30 now.", [("P501", "10:30", "")]),
        ("The 2nd one, C3 and 3D.", [("P501", "2nd", ""), ("P501", "C3", ""), ("P501", "3D", "")]),
        ("Only 3.5mm more.", [("P501", "3.5", ""), ("P502", "mm", "millimetres")]),
        ("Add 20 °C.", [("P501", "20", "twenty"), ("P502", "°C", "degrees Celsius")]),
        ("Ten kg of it.", [("P502", "kg", "kilograms")]),
        (
            "At 5 min, e.g. now.",
            [("P503", "e.g.", ""), ("P501", "5", "five"), ("P502", "min", "minutes")],
        ),
        ("Approx. half, etc.", [("P503", "Approx.", ""), ("P503", "etc.", "")]),
        ("At a.m. or p.m. only.", [("P503", "a.m.", ""), ("P503", "p.m.", "")]),
        ("Nuts & bolts @ home", [("P504", "&", ""), ("P504", "@", "")]),
        ("It is (nearly) done.", [("P504", "(", ""), ("P504", ")", "")]),
        ("Well done 🎉👏🏽!", [("P505", "🎉", ""), ("P505", "👏", "")]),
        ("Family 👨‍👩‍👧 here.", [("P505", "👨", ""), ("P505", "👩", ""), ("P505", "👧", "")]),
        ("The LED of a PC is on.", [("P506", "LED", ""), ("P506", "PC", "")]),
    ],
)
def test_what_is_found(text: str, expected: list[tuple[str, str, str]]) -> None:
    assert told(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "I am in it, and I'll stay in.",
        "One in ten. Put two in the box, a bar on top.",
        "Hello… “you there” – rock 'n' roll, it's Alder’s!",
        "A. B. or not to be?",
        "Min and Max are cats, no. Never.",
        "Señor Peña, über-schön, Zoë.",
        "은색, 저녁, 라벤더 말인가요?",
    ],
)
def test_what_is_not_found(text: str) -> None:
    assert told(text) == []


def test_other_languages_have_their_own_abbreviations_and_unit_names() -> None:
    assert told("Zehn kg, z. B. in 3 Std.", "de") == [
        ("P503", "z. B.", ""),
        ("P502", "kg", "Kilogramm"),
        ("P501", "3", ""),
        ("P502", "Std", "Stunden"),
    ]
    assert told("Dos kg, p. ej. hoy.", "es") == [
        ("P503", "p. ej.", ""),
        ("P502", "kg", "kilogramos"),
    ]
    assert told("e.g. and kg", "xx") == [("P503", "e.g.", ""), ("P502", "kg", "kilograms")]


def test_units_are_those_of_the_cldr() -> None:
    # Unicode CLDR, English (United States): "2 kg", long form "2 kilograms"; by babel.
    assert unit_names("en")["kg"] == "kilograms"
    assert unit_names("en-GB")["mm"] == "millimetres"
    assert unit_names("en")["km/h"] == "kilometers per hour"
    assert unit_names("en")["kHz"] == "kilohertz"


def test_lines_slots_and_whole_numbers_in_slots() -> None:
    text = book(
        {"turn": ["Take {count} kg.", "Take {count} in all.", "Bring {part}.", "See 4 of it."]},
        slots={"count": [1, 2, 300], "part": ["the lamp", "the M3 bolt"]},
    )
    notes = list(read_mispronounced(text))
    # The numbers in slots are read well; what follows them counts as a unit.
    assert [(note.code, note.slot) for note in notes] == [
        ("P502", None),
        ("P501", None),
        ("P501", "part"),
    ]
    assert notes[0].do == "Write “kilograms”."
    assert notes[1].do == "Write “four”."
    assert "“M3”" in notes[2].what
    assert notes[2].place.line > 1


def test_a_word_whose_sounds_are_given_is_let_pass() -> None:
    lines = {"turn": ["The LED is on.", "Nearly 100 % of e.g. this."]}
    text = book(lines, pronounce={"LED": {"say": "ell ee dee"}, "e.g.": {"say": "for example"}})
    assert [note.code for note in read_mispronounced(text)] == ["P501", "P504"]


def test_markup_is_not_taken_for_signs() -> None:
    assert (
        list(read_mispronounced(book({"turn": ["It _is_ lit. | Now. || Go. |1.5s| Yes."]}))) == []
    )


LETTERS = st.text(st.characters(categories=["Ll", "Lu", "Lo"], max_codepoint=0x2FFF), min_size=1)


@given(words=st.lists(LETTERS.map(str.lower), min_size=1, max_size=6))
def test_plain_words_without_units_and_dots_are_never_found(words: list[str]) -> None:
    short = {*unit_names("en"), *ABBREVIATIONS["en"]}
    text = " ".join(word for word in words if word not in short)
    assert told(text, "en") == []


@given(st.text(max_size=80))
def test_whatever_is_found_stands_in_the_text(text: str) -> None:
    for _, found, _ in told(text, "en"):
        assert re.search(re.escape(found), text) is not None
