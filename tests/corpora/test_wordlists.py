"""Ordinary words are ordinary, near words are near, and everyday talk holds no surprise."""

from __future__ import annotations

import pytest

from tablevoice.corpora import phones
from tablevoice.corpora.plain_words import KINDS, kinds_of, same_kind
from tablevoice.corpora.sentences import CARRIERS, EVERYDAY, carried, without_commands
from tablevoice.corpora.wordlists import (
    near_words,
    ordinary_words,
    parts,
    pronounced,
    words_by_frequency,
)
from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.dictionary import dictionary
from tablevoice.wording import normalise


def test_the_commonest_words_come_first() -> None:
    """Of the 20 commonest English words by any count, most are among our first 40."""
    commonest = "the be to of and a in that have i it for not on with he as you do at"
    assert len(set(commonest.split()) & set(words_by_frequency()[:40])) >= 16
    assert len(words_by_frequency()) > 20_000


def test_ordinary_words_are_different_from_the_commands_in_sound_too() -> None:
    drawn = ordinary_words(2_000, 3, without=("red", "never mind"))
    assert len(set(drawn)) == 2_000
    assert not {"red", "read", "never", "mind", "mined"} & set(drawn)
    assert drawn == ordinary_words(2_000, 3, without=("red", "never mind"))
    assert drawn != ordinary_words(2_000, 4, without=("red", "never mind"))
    with pytest.raises(ValueError, match="wanted"):
        ordinary_words(10_000, 1, common=500)


@pytest.mark.parametrize(
    ("phrase", "among"), [("pause", "cause"), ("amber", "hamper"), ("stop", "step")]
)
def test_near_words_are_near_and_none_is_the_word_itself(phrase: str, among: str) -> None:
    near = near_words(phrase, 30)
    assert len(near) == 30
    assert near == sorted(near)
    texts = {word.text for word in near}
    assert among in texts
    own = pronounced(phrase)
    for word in near:
        said = dictionary()[word.text]
        assert min(phones.distance(own, one) for one in said) >= 0.3
        assert word.text != phrase
    assert near[-1].distance < 2.0


def test_a_phrase_has_one_word_exchanged_at_a_time() -> None:
    for near in near_words("never mind", 12):
        first, second = near.text.split()
        assert (first == "never") != (second == "mind")


def test_parts_are_beginnings_and_ends_that_can_be_spoken() -> None:
    assert {"never", "mind"} <= set(parts("never mind"))
    assert parts("stop") == []
    for part in parts("violet"):
        assert part in dictionary()
        assert part != "violet"
    assert "am" in parts("amber")


def test_every_word_that_lacks_is_named_with_a_guess_to_start_from() -> None:
    with pytest.raises(RecogniserUnavailable) as caught:
        pronounced("zaffre and blorp")
    assert "'zaffre', 'blorp'" in str(caught.value)
    assert "zaffre: Z AE F R" in str(caught.value)
    assert pronounced("Zaffre", {"zaffre": ("Z AE F ER",)}) == ("Z", "AE", "F", "ER")
    with pytest.raises(RecogniserUnavailable, match="XX is no phone"):
        pronounced("zaffre", {"zaffre": ("Z XX",)})


def test_the_plain_words_are_all_in_the_dictionary_and_once_in_their_kind() -> None:
    for words in KINDS.values():
        assert len(set(words)) == len(words)
        assert [word for word in words if word not in dictionary()] == []


def test_a_word_is_replaced_by_its_kind() -> None:
    assert same_kind("amber", ["amber", "teal", "stop"]) == KINDS["colours"]
    assert same_kind("stop", ["amber", "teal", "stop"]) == KINDS["actions"]
    assert same_kind("b", ["b", "c"]) == KINDS["spelling"]
    assert len(same_kind("xylophone", ["xylophone"])) > 300
    assert kinds_of(["olive", "orange", "oak"])[0] in ("colours", "fruit", "trees")


def test_everyday_talk_can_be_said_and_carries_any_phrase() -> None:
    assert len(set(EVERYDAY)) == len(EVERYDAY) >= 150
    assert len(set(CARRIERS)) == len(CARRIERS) >= 40
    unknown = {
        word
        for sentence in (*EVERYDAY, *carried("amber"))
        for word in normalise(sentence).split()
        if word not in dictionary()
    }
    assert unknown == set()
    assert all(" never mind " in f" {sentence} " for sentence in carried("never mind"))


def test_sentences_that_hold_a_command_are_left_out() -> None:
    kept = without_commands(EVERYDAY, ("never mind", "window"))
    assert "never mind the mess over there" in EVERYDAY
    assert not any("never mind" in sentence or "window" in sentence for sentence in kept)
    assert len(kept) > 150 - 10
