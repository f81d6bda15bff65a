"""Lines that are nearly the same: which are found, and how much work that is."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from Levenshtein import ratio

from tablevoice.phrasebook.desk.likeness import (
    LIKE_PERCENT,
    MOST_BESIDE,
    Counted,
    alike,
    read_likeness,
)
from tests.phrasebook.desk.books import book, codes

ALIKE = [
    ("Please pick the lamp up now.", "Please pick the lamp up, now!"),
    ("The box is full.", "That is a full box."),
    ("Hold requested, keep clear.", "Hold requested. Please keep clear."),
    ("I can nearly see the bottom of it.", "I can nearly see the bottom of this."),
]
UNLIKE = [
    ("You win.", "I win."),
    ("Pick it up.", "Put it down."),
    ("The tape is nearly used up.", "The box is nearly full."),
    ("Five lights, hung with care.", "Five lights! I'm going to glow all night."),
]


@pytest.mark.parametrize(("one", "other"), ALIKE)
def test_lines_that_a_listener_takes_for_the_same(one: str, other: str) -> None:
    (note,) = read_likeness(book({"turn": [one, "Something else altogether.", other]}))
    assert note.code == "D201"
    assert one in note.what
    assert other in note.what


@pytest.mark.parametrize(("one", "other"), UNLIKE)
def test_lines_that_differ_enough(one: str, other: str) -> None:
    assert codes(read_likeness(book({"turn": [one, other]}))) == []


def test_the_later_line_is_found_and_the_earlier_one_named() -> None:
    (note,) = read_likeness(
        book({"turn": ["It is lit now, I say.", "Other.", "It is lit now, say."]})
    )
    assert "“It is lit now, say.” is nearly “It is lit now, I say.”" in note.what


def test_the_same_words_by_two_voices_are_still_the_same_words() -> None:
    lines = [{"say": "It is lit.", "voice": "Alder"}, {"say": "It is lit!", "voice": "Briar"}]
    (note,) = read_likeness(book({"turn": {"lines": lines}}))
    assert "the same words" in note.what


@pytest.mark.parametrize(
    ("one", "other", "found"),
    [
        ({"lights": 1}, {"lights": {"at_least": 2}}, []),
        ({"lights": 1}, {"lights": {"at_most": 2}}, ["D201"]),
        ({"lights": {"at_most": 1}}, {"lights": {"at_least": 2}}, []),
        ({"arm": "Alder"}, {"arm": "Briar"}, []),
        ({"arm": "Alder"}, {"lights": 1}, ["D201"]),
        ({"arm": ["Alder", "Briar"]}, {"arm": "Briar"}, ["D201"]),
        ({"arm": "Alder"}, {"arm": {"not": "Alder"}}, []),
    ],
)
def test_lines_that_never_come_in_the_same_situation_may_be_alike(
    one: Any, other: Any, found: list[str]
) -> None:
    lines = [
        {"say": "That makes it one light.", "when": one},
        {"say": "That makes it one light!", "when": other},
        "Lit.",
    ]
    assert (
        codes(read_likeness(book({"lit": {"slots": ["arm", "lights"], "lines": lines}}))) == found
    )


def test_a_likeness_that_does_not_count_hides_none_that_does() -> None:
    lines = [
        {"say": "That makes it just one light.", "when": {"arm": "Briar"}},
        {"say": "That makes it just one lamp.", "when": {"arm": "Alder"}},
        {"say": "That makes it just one light!", "when": {"arm": "Alder"}},
    ]
    (note,) = read_likeness(book({"lit": {"slots": ["arm"], "lines": lines}}))
    assert "one light!” is nearly “That makes it just one lamp.”" in note.what


def test_markup_does_not_make_a_line_another() -> None:
    assert codes(read_likeness(book({"turn": ["It _is_ lit. | Now.", "It is lit. Now."]}))) == [
        "D201"
    ]


def test_the_name_of_a_slot_does_not_make_short_lines_alike() -> None:
    lines = ["Did {colour} win?", "Has {colour} lost?"]
    assert codes(read_likeness(book({"turn": lines}))) == []


def test_the_same_words_in_another_event_are_found_but_in_warnings() -> None:
    text = book({"never_mind": {"lines": ["As you like."]}, "fine": {"lines": ["As you like!"]}})
    (note,) = read_likeness(text)
    assert (note.code, note.event) == ("D202", "fine")
    assert "never_mind" in note.what
    warning = {"lines": ["Keep clear."], "priority": "warning"}
    assert codes(read_likeness(book({"paused": warning, "stopped": warning}))) == []


WORDS = st.lists(
    st.sampled_from(["lamp", "box", "tape", "moth", "light", "string", "basket", "one"]),
    min_size=3,
    max_size=8,
)


@given(texts=st.lists(WORDS.map(" ".join), unique=True, max_size=MOST_BESIDE + 1))
@settings(max_examples=150)
def test_every_pair_that_differs_by_a_word_is_found_as_by_comparing_all(texts: list[str]) -> None:
    found = {later for _, later, _ in alike(texts, Counted())}
    for later, text in enumerate(texts):
        for other in texts[:later]:
            one, two = sorted(text.split()), sorted(other.split())
            if len(one) == len(two) and len(_less(one, two)) == 1:
                # The indel likeness of another library (PyPI: levenshtein), which must agree.
                percent = 100 * max(ratio(text, other), ratio(" ".join(one), " ".join(two)))
                if percent >= LIKE_PERCENT:
                    assert later in found, (other, text)


def _less(one: list[str], other: list[str]) -> list[str]:
    rest = list(other)
    return [word for word in one if word not in rest or rest.remove(word)]  # type: ignore[func-returns-value]


@pytest.mark.parametrize(
    "line",
    ["{arm} says line number NUMBER of the {lights} lights.", "Number NUMBER.", "NUMBER and so on"],
)
def test_the_work_grows_with_the_lines_not_with_their_pairs(line: str) -> None:
    def comparisons(count: int) -> int:
        counted = Counted()
        texts = [line.replace("NUMBER", f"n{number}").lower() for number in range(count)]
        assert sum(1 for _ in alike(texts, counted)) <= count
        return counted.comparisons

    few, many = comparisons(1_000), comparisons(10_000)
    assert many <= 11 * few  # all pairs would be a hundred times as many
    assert many <= 10_000 * 56 * MOST_BESIDE  # 1 + 10 + 45 groups a line at most


@given(count=st.integers(0, 400), spread=st.integers(1, 40), length=st.integers(1, 12))
@settings(max_examples=40, deadline=None)
def test_no_set_of_lines_needs_more_than_its_share(count: int, spread: int, length: int) -> None:
    texts = [
        " ".join(f"w{(number * 7 + place * place) % spread}" for place in range(length))
        for number in range(count)
    ]
    counted = Counted()
    list(alike(texts, counted))
    assert counted.comparisons <= count * 56 * MOST_BESIDE
