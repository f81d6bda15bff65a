"""The ear with a second opinion: probabilities, early ends, and no memory of what was before."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.listening.ear import Ear
from tablevoice.listening.second_opinion import Opinions, SecondOpinion
from tablevoice.model import Heard, Hypothesis, Samples
from tests.listening.speech_clips import noise, silence, spoken
from tests.tuned_cell import PHRASES, around

SOME = ("teal", "zaffre", "pause", "hold on")
SAID = {"zaffre": "zaffer"}


@pytest.fixture(scope="module")
def parts(tuned: Path) -> Iterator[Assembly]:
    with Assembly(load_cell(tuned), remember=False) as opened:
        yield opened


def listening(parts: Assembly, opinions: Opinions = "both") -> Ear:
    ear = parts.open_ear(opinions=opinions)
    ear.allow(PHRASES, ["hold on"])
    return ear


def heard(ear: Ear, samples: Samples, block: int = 480) -> list[Heard]:
    found = []
    for start in range(0, len(samples), block):
        cut = samples[start : start + block]
        found += ear.feed(cut, (start + len(cut)) / 16_000)
    return found


def ended_after_s(ear: Ear, samples: Samples) -> list[float]:
    """For each utterance, how much silence there was before it was over."""
    waits = []
    for start in range(0, len(samples) - 159, 160):
        now_s = (start + 160) / 16_000
        waits += [now_s - one.end_s for one in ear.feed(samples[start : start + 160], now_s)]
    return waits


def same(one: Heard, other: Heard) -> bool:
    return (
        one.hypothesis == other.hypothesis
        and one.probabilities == other.probabilities
        and one.second_opinion == other.second_opinion
        and one.end_s == pytest.approx(other.end_s)
    )


@pytest.mark.parametrize("opinions", ["both", "second_opinion"])
def test_every_utterance_has_its_probabilities(parts: Assembly, opinions: Opinions) -> None:
    ear = listening(parts, opinions)
    for text in ("teal", "chocolate"):
        for one in heard(ear, around(spoken(text, "en-gb"))):
            assert set(one.probabilities) == set(PHRASES)
            assert all(0.0 <= chance <= 1.0 for chance in one.probabilities.values())
            assert sum(one.probabilities.values()) <= 1.0 + 1e-6
            assert set(one.second_opinion) == {"", *PHRASES}
            assert np.isfinite(list(one.second_opinion.values())).all()


def test_the_grammar_alone_has_no_probabilities(parts: Assembly) -> None:
    (one,) = heard(listening(parts, "grammar"), around(spoken("teal")))
    assert one.probabilities == {}
    assert one.second_opinion == {}
    assert one.hypothesis.text == "teal"


def test_the_grammars_word_weighs_what_the_tuned_file_says(parts: Assembly) -> None:
    sound = around(spoken("pause", "en-gb"))
    sound = sound + noise(len(sound), 0.1)
    alone = parts.open_second_opinion("second_opinion")
    both = parts.open_second_opinion("both")
    assert alone is not None
    assert both is not None
    agrees = Hypothesis("pause", 1.0, True, {"log_likelihood_ratio": 0.0, "covered": 1.0})
    differs = Hypothesis("", 0.0, True, {"log_likelihood_ratio": -3.0, "covered": 0.2})

    def chances(second: SecondOpinion, hypothesis: Hypothesis) -> float:
        return second.opinion(sound, hypothesis).probabilities["pause"]

    assert chances(alone, agrees) == chances(alone, differs)
    assert chances(alone, agrees) == pytest.approx(alone.by_sound(sound)["pause"], rel=1e-6)
    scores = alone.opinion(sound, agrees).scores
    shares = np.exp(np.array(list(scores.values())) - max(scores.values()))
    assert shares[list(scores).index("pause")] / shares.sum() == pytest.approx(
        chances(alone, agrees), abs=2e-3
    )
    # Both: the file's weights (what the fusion does with them has tests of its own).
    weights = both.notes["fusion"]
    assert weights["agreement"] >= 0.0
    assert weights["surety"] >= 0.0

    def odds(hypothesis: Hypothesis) -> float:
        chances_of = both.opinion(sound, hypothesis).probabilities
        return float(np.log(chances_of["pause"] / (1.0 - sum(chances_of.values()))))

    gained = odds(agrees) - odds(differs)
    expected = weights["agreement"] + weights["surety"] + weights["silence"]
    assert gained == pytest.approx(expected, abs=0.05)


def test_a_word_that_is_understood_ends_early(parts: Assembly) -> None:
    waits_s = {
        opinions: [
            wait
            for text in SOME
            for wait in ended_after_s(listening(parts, opinions), around(said(text)))
        ]
        for opinions in ("grammar", "both")
    }  # fmt: skip
    assert min(waits_s["grammar"]) > 0.17
    early = [wait < 0.15 for wait in waits_s["both"]]
    assert len(early) == len(SOME)
    assert sum(early) >= len(SOME) - 1
    assert max(waits_s["both"]) < 0.65


def said(text: str) -> Samples:
    return spoken(SAID.get(text, text), "en-gb")


def test_what_is_only_begun_is_waited_for(parts: Assembly) -> None:
    ear = listening(parts)
    half = np.concatenate((silence(0.5), spoken("hold", "en-gb"), silence(0.16)))
    track = np.concatenate((half, spoken("on", "en-gb"), silence(1.0)))
    (one,) = heard(ear, np.asarray(track + noise(len(track), 0.002), np.float32))
    assert max(one.probabilities, key=lambda phrase: one.probabilities[phrase]) == "hold on"


def test_a_word_that_begins_another_phrase_is_waited_for(parts: Assembly) -> None:
    track = around(said("teal"))
    ear = listening(parts)
    ear.allow([*PHRASES, "teal pause"], ["hold on"])
    (waited_s,) = ended_after_s(ear, track)
    ear.reset()
    ear.allow(PHRASES, ["hold on"])
    (early_s,) = ended_after_s(ear, track)
    assert early_s < 0.15 < 0.17 < waited_s


def test_nobody_waits_for_a_hold(parts: Assembly) -> None:
    track = around(said("pause"))
    ear = listening(parts)
    ear.allow([*PHRASES, "pause teal"], ["hold on", "pause"])
    (waited_s,) = ended_after_s(ear, track)
    ear.reset()
    # That it may go on does not count where it would be a hold all the same.
    ear.allow(PHRASES, ["hold on", "pause", "pause teal"], ["hold on", "pause", "pause teal"])
    (at_once_s,) = ended_after_s(ear, track)
    assert at_once_s < 0.11 < 0.17 < waited_s


def test_what_may_not_be_said_now_ends_no_earlier(parts: Assembly) -> None:
    ear = listening(parts)
    ear.allow(["pause"], ["hold on"])
    assert all(wait_s > 0.15 for wait_s in ended_after_s(ear, around(said("teal"))))


def test_after_a_reset_all_is_as_at_first(parts: Assembly) -> None:
    ear = listening(parts)
    track = around(spoken("zaffer", "en-us+f3"))
    first = heard(ear, track)
    heard(ear, np.concatenate((noise(32_000, 0.2), around(spoken("chocolate")))))
    ear.reset()
    again = heard(ear, track, block=1_000)
    fresh = heard(listening(parts), track)
    assert first
    for one, other, third in zip(first, again, fresh, strict=True):
        assert same(one, other)
        assert same(one, third)


def test_a_new_recogniser_is_as_one_after_a_reset(parts: Assembly) -> None:
    ear = listening(parts, "grammar")
    for text in ("hold on", "zaffer", "pause"):
        track = around(spoken(text, "en-gb"))
        (fresh,) = heard(listening(parts, "grammar"), track)
        ear.reset()
        (again,) = heard(ear, track)
        assert same(fresh, again)


def test_a_broken_driver_costs_nothing(parts: Assembly) -> None:
    ear = listening(parts)
    track = around(said("teal"))
    broken = np.full(16_000, np.nan, np.float32)
    broken[::7] = np.inf
    heard(ear, broken)
    found = heard(ear, track)
    assert found
    assert max(found[-1].probabilities.values()) <= 1.0
    assert heard(ear, silence(0)) == []


def test_a_room_full_of_other_words_makes_the_ear_doubt_until_it_is_quiet(parts: Assembly) -> None:
    words = ("window", "harbour", "carpet", "seven", "mountain", "letter", "garden", "kitchen")
    chatter = np.concatenate([around(said(word)) for word in words])
    ear = listening(parts)
    (before,) = heard(ear, around(said("teal")))
    start_s = len(around(said("teal"))) / 16_000
    assert before.room_doubt_nats == 0.0
    others = [
        one
        for at in range(0, len(chatter), 480)
        for one in ear.feed(chatter[at : at + 480], start_s + (at + 480) / 16_000)
    ]
    assert len(others) >= 6
    doubts = [one.room_doubt_nats for one in others]
    assert doubts == sorted(doubts)
    assert doubts[-1] > 0.3
    ear.reset()
    (anew,) = heard(ear, around(said("teal")))
    assert same(anew, before)
