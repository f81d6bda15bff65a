"""Markup and pronunciations in phrasebooks: found at their place, and no slot value is markup."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice import markup
from tablevoice.errors import FileRefused, MessageRefused, Problem
from tablevoice.model import Phrasebook, Pronunciation
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.slots import fill, fill_marked, fillings

BOOK = """format: 1
title: Kites
language: {language}
pronounce: {pronounce}
slots: {{kites: [0, 1], note: any}}
events:
  turn:
    slots: [kites, note]
    lines:
      - My turn.
      {line}
"""


def book(
    folder: Path, line: str = "- Your turn.", pronounce: str = "{}", language: str = "en"
) -> Phrasebook:
    file = folder / "kites.yaml"
    text = BOOK.format(line=line, pronounce=pronounce, language=language)
    file.write_text(text, encoding="utf-8")
    return load_phrasebook(file)


def only_problem(folder: Path, **changes: str) -> Problem:
    with pytest.raises(FileRefused) as refused:
        book(folder, **changes)
    (problem,) = refused.value.problems
    return problem


# --- markup -----------------------------------------------------------------------


def test_a_marked_line_is_plain_for_people_and_marked_for_voices(tmp_path: Path) -> None:
    event = book(tmp_path, "- 'Kite _{kites}_ || of {{two}} | flies.'").events["turn"]
    text = event.lines[1].text
    assert fill(text, {"kites": 1}) == "Kite 1 of {two} flies."
    assert fill_marked(text, {"kites": 1}) == "Kite _1_ || of {two} | flies."


@pytest.mark.parametrize(
    ("line", "place", "words"),
    [
        ("- Now _mine is up.", "11:13", "no end"),
        ("- Kite {kites} flies _high.", "11:28", "no end"),
        ("- 'It''s up | | high.'", "11:21", "two pauses"),
        ('- "Up \\" _high."', "11:16", "no end"),
        ("- say: Up and |", "11:21", "ends with a pause"),
        ("- >-\n        It is\n        up | || high", "13:14", "two pauses"),
        ("- Up \\{kites}.", "11:12", "backslash"),
    ],
)
def test_a_markup_error_stands_at_its_character(
    tmp_path: Path, line: str, place: str, words: str
) -> None:
    problem = only_problem(tmp_path, line=line)
    assert words in problem.what
    assert problem.where.endswith(f"kites.yaml:{place}")
    assert problem.do


def test_a_number_from_a_slot_is_said_even_where_it_would_time_a_pause(tmp_path: Path) -> None:
    text = book(tmp_path, "- Wait |{kites}s| now.").events["turn"].lines[1].text
    assert fill(text, {"kites": 1}) == "Wait 1s now."
    assert markup.parse(fill_marked(text, {"kites": 1})) == (
        markup.Words("Wait"), markup.Pause(markup.SHORT_PAUSE_S), markup.Words("1s"),
        markup.Pause(markup.SHORT_PAUSE_S), markup.Words("now."),
    )  # fmt: skip


NASTY = [
    "<speak><break time='9s'/></speak>", "[[l'ant3n]]", "{kites}", "{{", "_a_", "| || |5s|",
    "5", "\\", "\\_", "a_", "|", "\u202eabc\u202c", "\u2066x\u2069", "\U0001f3ee", "<!-- & -->",
    "[word](/wɜːd/)", "&lt;", "]]>", "%s",
]  # fmt: skip
LINE = "{note} and _{note}_ | {note} || {note}|{note}|{note}."


@pytest.mark.parametrize("value", NASTY)
def test_a_value_is_words_whatever_stands_in_it(value: str) -> None:
    check_is_words(value)


@given(st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=80)
       .filter(str.strip))  # fmt: skip
def test_any_value_is_words(value: str) -> None:
    check_is_words(value)


def check_is_words(value: str) -> None:
    pieces = markup.parse(fill_marked(LINE, {"note": value}))
    around = [piece for piece in pieces if isinstance(piece, markup.Pause)]
    assert [pause.seconds for pause in around] == [0.2, 0.5, 0.2, 0.2]
    first, emphasised, *rest = [piece for piece in pieces if isinstance(piece, markup.Words)]
    capital = value[:1].upper() + value[1:]
    assert first.text == f"{capital} and "
    assert emphasised == markup.Words(value.rstrip(), emphasised=True) or (
        emphasised.text == value and emphasised.emphasised
    )
    assert not any(piece.emphasised for piece in rest)
    assert rest[-1].text.strip() == f"{value}.".strip()
    assert fill("{note}", {"note": value}) == capital


@pytest.mark.parametrize("value", ["a\x00b", "\x01", "a\nb", "x" * 5000, "\ud800"])
def test_what_cannot_be_said_is_refused_at_the_door(value: str) -> None:
    with pytest.raises(MessageRefused) as refused:
        fill_marked("{note}", {"note": value})
    assert refused.value.problem.do


def test_lines_that_differ_in_markup_alone_are_both_prepared(tmp_path: Path) -> None:
    event = book(tmp_path, "- My _turn_.").events["turn"]
    assert [text for _, _, text, _ in fillings(event, {}, 10)] == ["My turn.", "My turn."]


# --- pronunciations ---------------------------------------------------------------


def test_an_entry_is_shared_out_to_voices_and_recogniser(tmp_path: Path) -> None:
    entries = (
        "{zaffre: {ipa: ˈzæfə, say: zaffer}, teal: {say: teel}, ochre: [OW K ER, OW K R],"
        " mauve: {ipa: məʊv, phones: M OW V}, puce: {phones: [P Y UW S]}}"
    )
    found = book(tmp_path, pronounce=entries)
    assert found.pronunciations == {
        "zaffre": ("Z AE F AH",), "ochre": ("OW K ER", "OW K R"), "mauve": ("M OW V",),
        "puce": ("P Y UW S",),
    }  # fmt: skip
    assert found.spoken == {
        "zaffre": Pronunciation("ˈzæfə", "zaffer"),
        "teal": Pronunciation("", "teel"),
        "mauve": Pronunciation("məʊv"),
    }


def test_sounds_of_another_language_are_for_its_voices_alone(tmp_path: Path) -> None:
    found = book(tmp_path, pronounce="{Laterne: {ipa: laˈtɛʁnə}}", language="de")
    assert found.spoken == {"Laterne": Pronunciation("laˈtɛʁnə")}
    assert found.pronunciations == {}


@pytest.mark.parametrize(
    ("entries", "place", "words"),
    [
        ("{zaffre: {ipa: ˈzæfɣ}}", "4:31", "no sound of English"),
        ("{zaffre: {ipa: ˈˌ}}", "4:27", "marks alone"),
        ("{zaffre: {ipa: ' '}}", "4:27", "nothing that can be said"),
        ("{zaffre: {say: '...'}}", "4:27", "nothing that can be said"),
        ("{zaffre: {phones: [Z AE F ER, Z QQ]}}", "4:42", "no ARPABET phone"),
        ("{zaffre: [Z AE F ER, Z QQ]}", "4:33", "no ARPABET phone"),
        ("{zaffre: {}}", "4:21", "says nothing"),
    ],
)
def test_a_wrong_entry_stands_at_its_place(
    tmp_path: Path, entries: str, place: str, words: str
) -> None:
    problem = only_problem(tmp_path, pronounce=entries)
    assert words in problem.what
    assert problem.where.endswith(f"kites.yaml:{place}")
    assert problem.do
