"""Plurals of the phrasebook's language in conditions, held against the Unicode CLDR's rules."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.errors import FileRefused
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.plurals import CATEGORIES, categories_in, category_of
from tablevoice.phrasebook.slots import eligible

BOOK = """
format: 1
title: Plurals
language: {language}
slots:
  lights: [0, 1, 2, 3, 5, 11, 21, 22, 100]
  word: [one, two]
  note: any
events:
  counted:
    slots: [lights, word, note]
    lines:
      - It counts.
      - {{say: "Here are {{lights}}.", when: {{{slot}: {test}}}}}
"""


def book(tmp_path: Path, language: str, test: str, slot: str = "lights") -> Path:
    file = tmp_path / "book.yaml"
    file.write_text(BOOK.format(language=language, test=test, slot=slot), encoding="utf-8")
    return file


def numbers_that_fit(file: Path) -> list[int]:
    read = load_phrasebook(file)
    line = read.events["counted"].lines[1]
    known = read.slot_values["lights"] or ()
    return [
        value for value in known
        if isinstance(value, int) and eligible(line, {"lights": value})
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("language", "category", "numbers"),
    [
        # Unicode CLDR, "Language Plural Rules", cardinal numbers (from memory).
        ("en", "one", [1]),
        ("de", "other", [0, 2, 3, 5, 11, 21, 22, 100]),
        ("fr", "one", [0, 1]),
        ("pl", "one", [1]),
        ("pl", "few", [2, 3, 22]),
        ("pl", "many", [0, 5, 11, 21, 100]),
        ("ru", "one", [1, 21]),
        ("ru", "[few, many]", [0, 2, 3, 5, 11, 22, 100]),
        ("ar", "two", [2]),
        ("ar", "few", [3, 5]),
        ("ko", "other", [0, 1, 2, 3, 5, 11, 21, 22, 100]),
    ],
)
def test_a_line_comes_with_the_numbers_of_its_plural(
    tmp_path: Path, language: str, category: str, numbers: list[int]
) -> None:
    file = book(tmp_path, language, f"{{plural: {category}}}")
    assert numbers_that_fit(file) == numbers


def test_a_plural_narrows_what_else_is_asked(tmp_path: Path) -> None:
    file = book(tmp_path, "pl", "{plural: few, at_most: 3}")
    assert numbers_that_fit(file) == [2, 3]
    file = book(tmp_path, "pl", "{plural: few, among: [1, 2, 22]}")
    assert numbers_that_fit(file) == [2, 22]


@pytest.mark.parametrize(
    ("language", "test", "slot", "says", "do"),
    [
        ("de", "{plural: few}", "lights", "no whole number is 'few'", "It has: one, other."),
        ("tlh", "{plural: one}", "lights", "'tlh' is not known", "Name values"),
        ("de", "{plural: one}", "word", "'word' has no known numbers", "List its numbers"),
        ("de", "{plural: one}", "note", "'note' has no known numbers", "List its numbers"),
        ("de", "{plural: some}", "lights", "some", "zero"),
        ("en", "{plural: one, among: [2]}", "lights", "can never be said", "Loosen"),
    ],
)
def test_a_plural_that_cannot_be_counted_is_a_finding(
    tmp_path: Path, language: str, test: str, slot: str, says: str, do: str
) -> None:
    file = book(tmp_path, language, test, slot)
    with pytest.raises(FileRefused) as refused:
        load_phrasebook(file)
    told = " ".join(map(str, refused.value.problems))
    assert says in told
    assert do in told
    assert f"{file}:" in told


@given(st.integers(0, 10**12), st.sampled_from(["en", "de", "pl", "ar", "ru", "he", "ko", "cs"]))
def test_every_number_has_one_category_of_its_language(number: int, language: str) -> None:
    assert category_of(number, language) in categories_in(language)
    assert set(categories_in(language)) <= set(CATEGORIES)
