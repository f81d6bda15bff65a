"""Phrases in lines with slots: as looking through every filled text, at a fraction of the work."""

from __future__ import annotations

from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.phrasebook.desk.manuscript import pieces
from tablevoice.phrasebook.desk.phrase_search import Occurrence, PhraseSearch, words_of
from tablevoice.phrasebook.slots import SlotName, fill
from tablevoice.wording import normalise

WORD = st.sampled_from(("hold", "on", "never", "mind", "stop", "lamp"))
PHRASES = st.lists(WORD, min_size=1, max_size=3).map(" ".join)


def test_words_and_slots_of_a_line() -> None:
    assert words_of(pieces("Well, {arm}'s _lamp_ | is {{lit}}.")) == (
        "well", SlotName("arm"), "s", "lamp", "is", "lit",
    )  # fmt: skip


def test_a_value_within_which_a_phrase_lies_is_not_the_lines_fault() -> None:
    search = PhraseSearch(["hold on", "stop"])
    words = words_of(pieces("Now {x} please."))
    assert list(search.in_line(words, {"x": ("hold on tight", "stop")})) == []
    assert search.in_text("Do hold on. Hold on!") == ["hold on"]


def test_the_value_that_brings_a_phrase_about_is_named() -> None:
    search = PhraseSearch(["never mind"])
    words = words_of(pieces("I {x} it."))
    values = {"x": ("always", "never")}
    assert list(search.in_line(words, values)) == []
    words = words_of(pieces("I {x} mind."))
    assert list(search.in_line(words, values)) == [Occurrence("never mind", "x", "never")]


@given(
    phrases=st.lists(PHRASES, min_size=1, max_size=4),
    before=st.lists(WORD, max_size=3).map(" ".join),
    between=st.lists(WORD, min_size=3, max_size=4).map(" ".join),
    after=st.lists(WORD, max_size=3).map(" ".join),
    values=st.lists(PHRASES, min_size=1, max_size=3, unique=True),
)
@settings(max_examples=300)
def test_what_is_found_is_what_the_filled_texts_contain(
    phrases: list[str], before: str, between: str, after: str, values: list[str]
) -> None:
    text = f"{before} {{x}} {between} {{y}} {after}".strip()
    search = PhraseSearch(phrases)
    line = words_of(pieces(text))
    found = {one.phrase for one in search.in_line(line, {"x": values, "y": values})}
    found |= {phrase for value in values for phrase in search.in_text(value)}
    brute = {
        phrase
        for x, y in product(values, values)
        for phrase in phrases
        if f" {normalise(phrase)} " in f" {normalise(fill(text, {'x': x, 'y': y}))} "
    }
    assert found == brute
