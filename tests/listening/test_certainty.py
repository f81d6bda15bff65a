"""How far a phrase is trusted: the curve, and whether it can be all that was said."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.audio.clip_files import to_rate
from tablevoice.listening.certainty import LEAST_COVERED, all_that_was_said, certainty_of
from tablevoice.listening.ear import Ear
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import Heard, Hypothesis, Voice
from tablevoice.speech.engines import Engine

COMMANDS = ("golden", "violet", "repeat")


@given(st.floats(-50, 50), st.floats(-50, 50))
def test_more_evidence_is_never_less_certain(one: float, other: float) -> None:
    low, high = sorted((certainty_of(one), certainty_of(other)))
    assert low == certainty_of(min(one, other))
    assert high == certainty_of(max(one, other))
    assert 0.0 <= low <= high <= 1.0


@given(st.floats(0, 1), st.floats(0.01, 10), st.floats(0.01, 10), st.integers(1, 12))
def test_doubt_only_ever_lowers(
    certainty: float, phrase_s: float, speech_s: float, phones: int
) -> None:
    hypothesis = Hypothesis("golden", certainty, True, {"phrase_s": phrase_s, "phones": phones})
    doubted = all_that_was_said(hypothesis, speech_s)
    assert doubted.certainty <= certainty
    if phrase_s < LEAST_COVERED * speech_s * 0.99 and certainty > 0.0:
        assert doubted.certainty < certainty


def test_without_evidence_nothing_is_doubted() -> None:
    hypothesis = Hypothesis("golden", 1.0, False)
    assert all_that_was_said(hypothesis, 9.0) == hypothesis


def listened_to(text: str, voice: str) -> list[Heard]:
    """What an ear makes of a text that is spoken with silence around it."""
    recogniser = open_recogniser("pocketsphinx")
    try:
        ear = Ear(recogniser)
        ear.allow(COMMANDS, ())
        with Engine() as engine:
            clip = to_rate(engine.render(text, Voice("v", voice=voice, rate_wpm=150)), 16_000)
        quiet = np.zeros(16_000, np.float32)
        samples = np.concatenate((quiet, clip.samples * 0.3, quiet))
        heard: list[Heard] = []
        for start in range(0, len(samples), 512):
            block = samples[start : start + 512]
            heard += ear.feed(block, (start + len(block)) / 16_000)
        return heard
    finally:
        recogniser.close()


def test_a_sentence_pressed_into_a_word_is_not_taken_for_one() -> None:
    # Real engine and recogniser: the grammar can say nothing but a command, and the curve
    # alone would act on some of these.
    sentences = ("They built all of this in a garage", "Can we go and get an ice cream now")
    trials = [
        heard.hypothesis.certainty
        for voice in ("en-us", "en-us+f3", "en-gb-scotland+m2")
        for sentence in sentences
        for heard in listened_to(sentence, voice)
    ]
    assert len(trials) >= 6
    assert sum(certainty >= 0.75 for certainty in trials) <= 1


def test_a_word_is_still_taken_for_itself() -> None:
    voices = ("en-us", "en-us+f3", "en-us+m1")
    sure = [
        heard.hypothesis.certainty >= 0.45
        for voice in voices
        for heard in listened_to("golden", voice)
        if heard.hypothesis.text == "golden"
    ]
    assert sum(sure) >= 2
