"""The edit distance over phones, against a plain one and against what people confuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.corpora.phones import (
    PHONES,
    VOWELS,
    distance,
    distances,
    encoded,
    leaving_out,
    relative_distance,
    substitution,
    syllables,
)
from tablevoice.listening.dictionary import dictionary

STRINGS = st.lists(st.sampled_from(PHONES), min_size=0, max_size=7)


def plain_distance(first: list[str], second: list[str]) -> float:
    """Wagner and Fischer's recursion as it stands in textbooks."""
    if not first:
        return sum(map(leaving_out, second))
    if not second:
        return sum(map(leaving_out, first))
    return min(
        plain_distance(first[1:], second[1:]) + substitution(first[0], second[0]),
        plain_distance(first[1:], second) + leaving_out(first[0]),
        plain_distance(first, second[1:]) + leaving_out(second[0]),
    )


@given(st.lists(st.sampled_from(PHONES), max_size=4), st.lists(st.sampled_from(PHONES), max_size=4))
def test_it_is_the_textbook_distance(first: list[str], second: list[str]) -> None:
    assert distance(first, second) == pytest.approx(plain_distance(first, second))


@given(STRINGS, STRINGS)
def test_it_is_the_same_both_ways_and_nothing_to_itself(
    first: list[str], second: list[str]
) -> None:
    assert distance(first, second) == pytest.approx(distance(second, first))
    assert distance(first, first) == 0.0
    assert 0.0 <= relative_distance(first, second) <= 1.0


@given(st.lists(st.lists(st.sampled_from(PHONES), min_size=3, max_size=3), min_size=1))
def test_many_at_once_are_each_on_its_own(rows: list[list[str]]) -> None:
    own = ("S", "T", "AA", "P")
    together = distances(own, np.stack([encoded(row) for row in rows]))
    assert together.tolist() == pytest.approx([distance(own, row) for row in rows])


def test_every_phone_of_the_dictionary_is_known() -> None:
    used = {phone for said in dictionary().values() for one in said for phone in one}
    assert used == set(PHONES)
    assert all(0.0 < leaving_out(phone) <= 1.0 for phone in PHONES)


@pytest.mark.parametrize(
    ("phone", "nearer", "farther"),
    [
        # Miller and Nicely, "An analysis of perceptual confusions among some English
        # consonants", JASA 27 (1955), confusions in noise (from memory): voicing and
        # nasality survive, place gets lost.
        ("P", "T", "Z"),
        ("P", "K", "M"),
        ("T", "K", "V"),
        ("M", "N", "B"),
        ("F", "TH", "G"),
        ("V", "DH", "P"),
        ("S", "SH", "B"),
        ("B", "D", "S"),
        # Peterson and Barney, "Control methods used in a study of the vowels", JASA 24
        # (1952), confusions of vowels (from memory)
        ("IH", "EH", "AA"),
        ("AA", "AO", "IY"),
        ("EH", "AE", "UW"),
        ("UH", "UW", "AE"),
    ],
)
def test_what_people_confuse_lies_nearer(phone: str, nearer: str, farther: str) -> None:
    assert substitution(phone, nearer) < substitution(phone, farther)


def test_a_vowel_is_no_consonant() -> None:
    assert substitution("AA", "K") == 1.0
    assert substitution("ER", "R") < 0.5
    assert VOWELS.issubset(PHONES)


@pytest.mark.parametrize(
    ("word", "wanted"),
    [
        ("amber", "AE M . B ER"),
        ("extra", "EH K . S T R AH"),
        ("window", "W IH N . D OW"),
        ("angry", "AE NG . G R IY"),
        ("stop", "S T AA P"),
        ("hello", "HH AH . L OW"),
    ],
)
def test_words_fall_into_syllables_as_in_a_dictionary(word: str, wanted: str) -> None:
    found = syllables(dictionary()[word][0])
    assert " . ".join(" ".join(part) for part in found) == wanted
    assert syllables(()) == []
