"""How phrases sound: the phrasebook's own way first, few ways, one error for what is missing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening import dictionary as subject
from tablevoice.listening.dictionary import MOST_WAYS, dictionary, said_as, ways_of_saying
from tablevoice.listening.sound_encoder import PHONES


def test_the_dictionary_knows_english() -> None:
    """Entries as the published CMU dictionary has them, without stress (from memory)."""
    assert dictionary()["teal"] == (("T", "IY", "L"),)
    assert ("R", "EH", "D") in dictionary()["read"]
    assert ("R", "IY", "D") in dictionary()["read"]
    assert len(dictionary()) > 100_000


def test_single_words_are_looked_up_as_in_the_whole() -> None:
    every = dictionary()
    some = sorted(every)[::400]
    assert {word: said_as(word) for word in some} == {word: every[word] for word in some}
    assert said_as("read") == every["read"]
    assert said_as("zaffre") == said_as("") == said_as("lante") == ()


def test_every_phone_of_the_dictionary_has_a_column() -> None:
    used = {phone for ways in dictionary().values() for way in ways for phone in way}
    assert used == set(PHONES)
    assert len(PHONES) == len(set(PHONES)) == 39


def test_the_words_of_a_phrase_follow_each_other() -> None:
    (hold,) = dictionary()["hold"]
    assert set(ways_of_saying("Hold on!", {})) == {hold + on for on in dictionary()["on"]}


def test_what_the_phrasebook_says_goes_before_the_dictionary() -> None:
    own = {"teal": ("T IY AH L", "T IH L"), "zaffre": ("Z AE F ER",)}
    assert ways_of_saying("teal", own) == (("T", "IY", "AH", "L"), ("T", "IH", "L"))
    assert ways_of_saying("Zaffre", own) == (("Z", "AE", "F", "ER"),)
    assert ways_of_saying("teal zaffre", own)[1] == ("T", "IH", "L", "Z", "AE", "F", "ER")


def test_a_word_is_found_however_the_phrasebook_spells_it() -> None:
    assert ways_of_saying("zaffre", {"Zaffre": ("Z AE F ER",)}) == (("Z", "AE", "F", "ER"),)


def test_many_ways_are_bounded_and_the_first_is_of_first_ones() -> None:
    phrase = "a read record"
    first = tuple(phone for word in phrase.split() for phone in dictionary()[word][0])
    ways = ways_of_saying(f"{phrase} {phrase}", {})
    assert len(ways) == MOST_WAYS == len(set(ways))
    assert ways[0] == first * 2
    many = {"teal": tuple(f"T {phone} L" for phone in PHONES)}
    assert len(ways_of_saying("teal", many)) == MOST_WAYS


def test_what_is_missing_is_one_error_with_every_word() -> None:
    with pytest.raises(RecogniserUnavailable, match="zaffrex, qwkx sounds") as caught:
        ways_of_saying("zaffrex teal qwkx", {})
    assert "pronounce" in caught.value.problem.do
    assert caught.value.problem.where == "zaffrex teal qwkx"


def test_a_dictionary_that_is_not_there_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(subject, "model_folder", lambda: tmp_path)
    with pytest.raises(RecogniserUnavailable, match="cannot be read") as caught:
        subject._text.__wrapped__()
    assert str(tmp_path) in caught.value.problem.where
