"""Takes of real speech are fit; the same ones spoilt are refused with the right reason."""

from __future__ import annotations

import numpy as np
import pytest

from tablevoice.listening.takes import take_problem
from tablevoice.model import Samples
from tests.listening.speech_clips import noise, silence, spoken

WORDS = ("amber", "pause", "stop", "never mind", "teal")
VOICES = ("en-us", "en-gb+f3", "en-us+m5")


def take(word: str = "amber", voice: str = "en-us") -> Samples:
    """A good take: the word with a moment of a quiet room around it."""
    clean = np.concatenate((silence(0.3), spoken(word, voice), silence(0.3)))
    return np.asarray(clean + noise(len(clean), 10 ** (-60 / 20)), dtype=np.float32)


def reason(samples: Samples) -> str:
    problem = take_problem(samples.astype(np.float32))
    assert problem is not None
    assert problem.do or "Nothing" in problem.what
    return problem.what


@pytest.mark.parametrize("voice", VOICES)
@pytest.mark.parametrize("word", WORDS)
def test_a_word_said_clearly_is_fit(word: str, voice: str) -> None:
    assert take_problem(take(word, voice)) is None


@pytest.mark.parametrize("snr_db", [15.0, 20.0])
@pytest.mark.parametrize("colour", ["pink", "hum"])
def test_a_word_in_a_moderately_loud_room_is_fit(colour: str, snr_db: float) -> None:
    clean = np.concatenate((silence(0.4), spoken("amber"), silence(0.4)))
    room = noise(len(clean), 0.08 * 10 ** (-snr_db / 20), colour)
    assert take_problem(np.asarray(clean + room, dtype=np.float32)) is None


@pytest.mark.parametrize("word", WORDS)
def test_a_quiet_one_a_clipped_one_and_a_cut_one_are_told_apart(word: str) -> None:
    good = take(word)
    whole = spoken(word)
    assert "too quiet" in reason(good * 0.02)
    assert "clipped" in reason(np.clip(good * 12, -1, 1))
    assert "clipped" in reason(np.clip(good * 12, -1, 1) * 0.97)
    middle = len(whole) // 2
    assert "cut off at its beginning" in reason(np.concatenate((whole[middle - 800 :],
                                                                silence(0.3))))  # fmt: skip
    assert "cut off at its end" in reason(np.concatenate((silence(0.3), whole[:middle])))


def test_loud_and_soft_ones_that_are_not_clipped_pass() -> None:
    loudest = take() / np.max(np.abs(take()))
    assert take_problem((loudest * 0.999).astype(np.float32)) is None
    assert take_problem((take() * 0.2).astype(np.float32)) is None


def test_no_word_at_all() -> None:
    assert "no word" in reason(silence(0.05))
    assert "no word" in reason(np.zeros(0, dtype=np.float32))
    assert "Nothing was heard" in reason(silence(1.0))
    click = np.concatenate((silence(0.5), noise(400, 0.2), silence(0.5)))
    assert "Only 0.0" in reason(click)


def test_a_room_that_is_as_loud_as_the_word() -> None:
    clean = np.concatenate((silence(0.4), spoken("amber"), silence(0.4)))
    assert "above the room" in reason(clean + noise(len(clean), 0.3, "white"))


def test_a_whole_sentence_is_no_word() -> None:
    text = "I would like to have the amber one please but only if nobody else has wanted it before"
    sentence = np.concatenate((silence(0.3), spoken(text, rate_wpm=110), silence(0.3)))
    assert "s were spoken" in reason(sentence)
