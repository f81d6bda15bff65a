"""Where utterances begin and end: in quiet, in steady noise, after a step, in any block size."""

from __future__ import annotations

import numpy as np
import pytest

from tablevoice.listening.endpointing import (
    Endpointer,
    EndpointEvent,
    EndpointOptions,
    SpeechEnded,
    SpeechFrames,
    SpeechStarted,
)
from tablevoice.model import Samples
from tests.listening.speech_clips import noise, silence, spoken


def run(samples: Samples, block: int = 333) -> list[EndpointEvent]:
    endpointer = Endpointer()
    events: list[EndpointEvent] = []
    for start in range(0, len(samples), block):
        events += endpointer.feed(samples[start : start + block])
    return events


def ends(events: list[EndpointEvent]) -> list[SpeechEnded]:
    return [event for event in events if isinstance(event, SpeechEnded)]


@pytest.mark.parametrize("block", [1, 160, 333, 100_000])
def test_a_word_is_found_where_it_is_whatever_the_block_size(block: int) -> None:
    word = spoken("violet")
    found = ends(run(np.concatenate((silence(1), word, silence(0.6))), block))
    assert len(found) == 1
    # The finder makes sure before it opens; what it may have missed is in the pre-roll.
    assert found[0].start_s == pytest.approx(1.0, abs=0.1)
    assert found[0].end_s == pytest.approx(1 + len(word) / 16000, abs=0.06)


@pytest.mark.parametrize("colour", ["white", "pink", "hum"])
def test_steady_noise_at_10_db_neither_opens_nor_holds(colour: str) -> None:
    words = [spoken(text) for text in ("violet", "amber", "indigo")]
    track = np.concatenate([silence(2), *(np.concatenate((w, silence(1.5))) for w in words)])
    found = ends(run(track + noise(len(track), 0.08 * 10 ** (-10 / 20), colour)))
    at_s = 2.0
    assert len(found) == 3
    for end, word in zip(found, words, strict=True):
        assert end.start_s == pytest.approx(at_s, abs=0.2)
        assert end.end_s <= at_s + len(word) / 16000 + 0.15
        at_s += len(word) / 16000 + 1.5


def test_a_pump_that_starts_is_forgotten_within_two_seconds() -> None:
    word = spoken("violet")
    track = np.concatenate((silence(5), word, silence(1)))
    hiss = np.concatenate((noise(32000, 0.001), noise(len(track) - 32000, 0.02)))
    found = ends(run(track + hiss))
    assert found[-1].start_s == pytest.approx(5.0, abs=0.1)
    assert all(end.end_s < 4.0 for end in found[:-1])


def test_a_click_is_no_word() -> None:
    track = silence(2)
    track[16000:16320] = 0.5
    assert not ends(run(track))


def test_an_endless_talker_is_cut_at_the_longest_length() -> None:
    talk = np.concatenate([spoken("amber violet indigo scarlet take your pick")] * 8)
    found = ends(run(np.concatenate((silence(1), talk, silence(1)))))
    longest = EndpointOptions().longest_s
    assert any(end.forced for end in found)
    assert all(len(end.samples) / 16000 <= longest + 0.6 for end in found)


def test_the_streamed_frames_are_the_utterance() -> None:
    events = run(np.concatenate((silence(1), spoken("pause"), silence(0.6))))
    frames = [event.samples for event in events if isinstance(event, SpeechFrames)]
    assert isinstance(events[0], SpeechStarted)
    assert np.array_equal(np.concatenate(frames), ends(events)[0].samples)


def test_broken_samples_do_no_harm() -> None:
    track = np.concatenate((silence(1), spoken("pause"), silence(0.6)))
    track[100:200] = np.nan
    track[300] = np.inf
    assert len(ends(run(track))) == 1


def with_urgent(track: Samples, answers: list[bool]) -> tuple[list[SpeechEnded], list[float]]:
    """What is cut where ``answers`` are given in turn to what may be urgent, and how long the
    sound was at each of them."""
    asked_s: list[float] = []

    def urgent(samples: Samples) -> bool:
        asked_s.append(len(samples) / 16000)
        return answers[len(asked_s) - 1] if len(asked_s) <= len(answers) else False

    endpointer = Endpointer(urgent=urgent)
    return ends([*endpointer.feed(track), *endpointer.flush()]), asked_s


def test_what_is_urgent_ends_where_its_sound_falls() -> None:
    word = spoken("pause")
    track = np.concatenate((silence(1), word, silence(1)))
    (waited,), asked_s = with_urgent(track, [False, False, False])
    (at_once,), _ = with_urgent(track, [False, True])
    assert 2 <= len(asked_s) <= EndpointOptions().most_urgent
    assert asked_s == sorted(asked_s)
    assert len(at_once.samples) == round(asked_s[1] * 16000)
    assert len(at_once.samples) / 16000 <= len(waited.samples) / 16000 - 0.08


def test_what_comes_of_a_word_that_was_urgent_is_no_other_word() -> None:
    word = spoken("hold on please")
    track = np.concatenate((silence(1), word, silence(1), spoken("violet"), silence(1)))
    whole, _ = with_urgent(track, [])
    cut, _ = with_urgent(track, [True])
    assert len(whole) == 2
    assert len(cut) == 2
    assert cut[0].end_s < whole[0].end_s - 0.2
    assert cut[1].start_s == pytest.approx(whole[1].start_s, abs=0.05)
