"""The comparison of listeners: its counting, its tables, and its parts on a few real clips."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.listeners_clips import Clip, Stream, streams
from benchmarks.listeners_compared import (
    Answer,
    Encoder,
    Listener,
    Missing,
    ends_table,
    grammar,
    listeners_table,
    right,
    threshold,
)
from benchmarks.word_ends import found_in, ours, spans_of
from tablevoice.corpora.mixing import padded
from tablevoice.corpora.speakers import Speaker, Studio
from tablevoice.model import Samples

NOTHING: Samples = np.zeros(0, np.float32)


def _clips(words: list[str], snr_db: float = 10.0, family: str = "pico") -> list[Clip]:
    return [Clip(NOTHING, word, family, snr_db) for word in words]


def test_the_threshold_lets_two_of_a_hundred_outside_words_through() -> None:
    answers = [Answer("stop", float(score)) for score in range(100)]
    limit = threshold(answers, _clips([""] * 100))
    assert sum(one.score > limit for one in answers) == 2


def test_the_threshold_does_not_look_at_the_words_themselves() -> None:
    clips = _clips(["stop"] * 50 + [""] * 50)
    answers = [Answer("stop", 99.0)] * 50 + [Answer("stop", float(score)) for score in range(50)]
    assert threshold(answers, clips) == 48.0


def test_right_counts_the_right_word_above_the_limit_only() -> None:
    clips = _clips(["stop", "stop", "stop", ""])
    answers = (Answer("stop", 2.0), Answer("stop", 0.5), Answer("skip", 3.0), Answer("stop", 9.0))
    listener = Listener("one", answers, 1.0)
    assert right(listener, clips, 1.0, lambda clip: True) == (1, 3)
    assert right(listener, clips, -np.inf, lambda clip: True) == (2, 3)


def test_the_table_tells_shares_the_worse_family_and_what_is_missing() -> None:
    clips = [
        clip
        for family in ("pico", "piper")
        for snr_db in (10.0, 5.0, 0.0)
        for clip in _clips(["stop", ""], snr_db, family)
    ]
    answers = tuple(
        Answer("stop" if clip.family == "pico" else "skip", 5.0 if clip.word else 1.0)
        for clip in clips
    )
    table = listeners_table([Listener("mine", answers, 12.4), Missing("other", "why")], clips)
    mine, other = table.splitlines()[-2:]
    # Wilson's interval of 1 in 2 from https://epitools.ausvet.com.au (from memory): 9.5 to 90.5 %.
    assert mine.split(" | ")[1] == "50 % (9 %–91 %)"
    assert "piper: 0 %" in mine
    assert mine.endswith(" 12 |")
    assert "not measured: why" in other


def test_speech_opens_holds_and_ends_with_the_silence() -> None:
    probabilities = np.array([0.0] * 3 + [0.9, 0.4, 0.9] + [0.1] * 10 + [0.9] + [0.0] * 8)
    spans = spans_of(probabilities.astype(np.float32), 0.5, 0.05)
    assert spans == [pytest.approx((0.15, 0.30))]  # the lone one is shorter than a word


def test_an_utterance_is_laid_beside_the_word_it_covers() -> None:
    stream = Stream(np.zeros(16_000 * 6, np.float32), ((1.0, 1.5), (3.0, 3.5), (5.0, 5.5)))
    made = found_in("one", 10.0, [stream], lambda _: [(0.9, 1.6), (2.0, 2.2), (3.4, 3.6)])
    assert (made.words, made.missed, made.false_starts, made.broken) == (3, 2, 1, 0)
    assert made.late_s == pytest.approx((0.1,))
    assert made.noise_s == pytest.approx(4.5)
    assert "2/3 = 67 %" in ends_table([made])


def test_words_are_heard_and_found_by_what_ships() -> None:
    with Studio() as studio:
        voice = Speaker("espeak", "en-us")
        said = [padded(studio.say(voice, word), 0.25, 0.25) for word in ("scarlet", "maroon")]
    clips = [
        Clip(one, word, "espeak", 10.0)
        for one, word in zip(said, ("scarlet", "maroon"), strict=True)
    ]
    assert [one.word for one in grammar(clips).answers] == ["scarlet", "maroon"]
    encoder = Encoder()
    answers = encoder.untaught(np.stack([encoder.row(clip.samples) for clip in clips]))
    assert [one.word for one in answers] == ["scarlet", "maroon"]
    assert min(one.score for one in answers) > 0.0
    found = found_in("ours", 20.0, streams(20.0, 2, pieces=1, families=("espeak",)), ours)
    assert found.words == 2
    assert found.missed == 0
