"""Everyone who can speak does: real engines, heard by the real recogniser."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
import pytest
import soxr

from tablevoice.corpora.mixing import padded
from tablevoice.corpora.rendering import Request, render, rendered_clips
from tablevoice.corpora.speakers import (
    FAMILIES,
    Manner,
    Speaker,
    Studio,
    any_manner,
    missing_families,
    sample_of_speakers,
    speakers,
)
from tablevoice.errors import EngineFailed
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import LISTENING_RATE_HZ, Voice
from tablevoice.speech.engines import Engine
from tests.corpora.signals import pitch_hz

WORDS = ("amber", "violet", "lemon", "repeat", "window")
ONE_OF_EACH = (
    Speaker("espeak", "en-us"),
    Speaker("espeak", "en-gb-scotland+f2"),
    Speaker("flite", "slt"),
    Speaker("hibari", "heart"),
    Speaker("pico", "en-GB"),
    Speaker("piper", "en_US-joe-medium"),
)


@pytest.fixture(scope="module", autouse=True)
def every_engine() -> None:
    missing = missing_families()
    if missing:
        pytest.skip("; ".join(str(problem) for problem in missing.values()))


@pytest.fixture(scope="module")
def studio() -> Iterator[Studio]:
    with Studio() as opened:
        yield opened


def test_hundreds_can_speak_english_and_some_other_languages() -> None:
    counts = Counter(speaker.family for speaker in speakers())
    assert set(counts) == set(FAMILIES)
    assert counts["espeak"] > 300
    assert counts["flite"] >= 5
    assert counts["hibari"] >= 2
    assert len(speakers(language="de")) > 50
    assert {speaker.family for speaker in speakers(language="fr")} == {"espeak", "pico"}
    british = speakers(["espeak"], language="en-gb-x-rp")
    assert british
    assert all(speaker.name.startswith("en-gb-x-rp") for speaker in british)


def test_what_each_family_says_is_heard_as_what_it_said(studio: Studio) -> None:
    """PocketSphinx, which is none of ours, has to tell the words apart in quiet."""
    recogniser = open_recogniser("pocketsphinx")
    recogniser.set_phrases(WORDS)
    right: Counter[str] = Counter()
    for speaker in ONE_OF_EACH:
        for word in WORDS:
            recogniser.start()
            recogniser.feed(padded(studio.say(speaker, word), 0.3, 0.3))
            right[speaker.family] += recogniser.finish().text == word
    recogniser.close()
    said = Counter(speaker.family for speaker in ONE_OF_EACH)
    assert {family: right[family] >= 4 * said[family] for family in said} == dict.fromkeys(
        said, True
    )


@pytest.mark.parametrize("speaker", ONE_OF_EACH, ids=str)
def test_a_clip_is_the_same_each_time_and_has_no_silence_around_it(
    studio: Studio, speaker: Speaker
) -> None:
    first = studio.say(speaker, "paper lantern")
    studio.say(speaker, "something else entirely", Manner(speed=1.2, pitch_semitones=2.0))
    again = studio.say(speaker, "paper lantern")
    assert first.tobytes() == again.tobytes()
    assert first.dtype == np.float32
    assert float(np.abs(first).max()) <= 1.0
    assert 0.3 < len(first) / LISTENING_RATE_HZ < 2.0
    loud = np.abs(first) > 0.05 * np.abs(first).max()
    assert loud[:1_600].any()
    assert loud[-2_400:].any()


def test_festival_says_the_same_each_time_and_leaves_only_its_recordings_hiss_behind(
    studio: Studio,
) -> None:
    """Measured: 0.16 s of hiss at -58 dBFS behind the word, just over what counts as speech."""
    ked = Speaker("festival", "ked_diphone")
    first = studio.say(ked, "paper lantern")
    slower = studio.say(ked, "paper lantern", Manner(speed=0.8))
    assert first.tobytes() == studio.say(ked, "paper lantern").tobytes()
    assert len(slower) > 1.1 * len(first)
    loud = np.flatnonzero(np.abs(first) > 0.05 * np.abs(first).max())
    assert loud[0] < 1_600
    assert len(first) - loud[-1] < 0.35 * LISTENING_RATE_HZ


def test_espeak_in_process_says_what_the_voices_of_a_table_say(studio: Studio) -> None:
    """The same voice through pyttsx3 in a child process: as long, and alike in spectrum."""
    here = studio.say(Speaker("espeak", "en-us"), "please take a lantern")
    with Engine() as engine:
        clip = engine.render("please take a lantern", Voice("v", voice="en-us", rate_wpm=160))
    there = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
    loud = np.flatnonzero(np.abs(there) > 0.003)
    there = there[loud[0] : loud[-1]]
    assert len(here) == pytest.approx(len(there), rel=0.06)
    bands = [
        np.log([part.sum() for part in np.array_split(np.abs(np.fft.rfft(wave)) ** 2, 24)])
        for wave in (here, there)
    ]
    assert float(np.corrcoef(bands[0], bands[1])[0, 1]) > 0.98


@pytest.mark.parametrize("speaker", ONE_OF_EACH, ids=str)
def test_speed_and_pitch_do_what_they_say(studio: Studio, speaker: Speaker) -> None:
    text = "a really long banana"
    plain = studio.say(speaker, text)
    fast = studio.say(speaker, text, Manner(speed=1.3))
    high = studio.say(speaker, text, Manner(pitch_semitones=4.0))
    assert len(fast) == pytest.approx(len(plain) / 1.3, rel=0.15)
    assert len(high) == pytest.approx(len(plain), rel=0.08)
    assert 1.08 < pitch_hz(high) / pitch_hz(plain) < 1.6  # an intonation has no one pitch


@pytest.mark.parametrize("text", ["", "  ", "…", "!?", "\u0001"])
@pytest.mark.parametrize("speaker", ONE_OF_EACH, ids=str)
def test_a_text_without_words_is_refused(studio: Studio, speaker: Speaker, text: str) -> None:
    with pytest.raises(EngineFailed, match=r"spoken.*Write words"):
        studio.say(speaker, text)


@pytest.mark.parametrize(
    "speaker",
    [
        Speaker("espeak", "en-us+nobody"),
        Speaker("espeak", "xx-none"),
        Speaker("flite", "awb_time"),
        Speaker("hibari", "nobody"),
        Speaker("pico", "nobody"),
        Speaker("piper", "nobody"),
        Speaker("espeek", "en-us"),
    ],
    ids=str,
)
def test_who_is_not_here_is_named(studio: Studio, speaker: Speaker) -> None:
    with pytest.raises(EngineFailed, match=r"no (voice|engine)"):
        studio.say(speaker, "hello")


def test_a_word_without_end_is_refused_and_does_not_hang(studio: Studio) -> None:
    with pytest.raises(EngineFailed, match="more than 60 letters"):
        studio.say(Speaker("pico", "en-US"), "x" * 3_000)


def test_a_missing_engine_is_left_out_unless_it_was_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PATH", "")
    assert "flite" in missing_families()
    assert all(speaker.family != "flite" for speaker in speakers())
    with pytest.raises(EngineFailed, match=r"flite.*apt-get install flite"):
        speakers(["flite"])


def test_a_sample_has_every_family_and_no_one_twice() -> None:
    everyone = speakers()
    chosen = sample_of_speakers(everyone, 12, seed=1)
    assert len(set(chosen)) == 12
    assert {speaker.family for speaker in chosen} == set(FAMILIES)
    assert chosen == sample_of_speakers(list(reversed(everyone)), 12, seed=1)
    assert chosen != sample_of_speakers(everyone, 12, seed=2)
    assert sample_of_speakers(everyone[:3], 12, seed=1) == everyone[:3]


def test_manners_differ_and_none_of_strength_is_plain() -> None:
    rng = np.random.default_rng(1)
    manners = [any_manner(rng) for _ in range(300)]
    assert len(set(manners)) == 300
    assert all(0.6 < manner.speed < 1.5 for manner in manners)
    assert any_manner(rng, 0.0) == Manner()


def test_many_clips_are_the_same_from_one_process_and_from_two() -> None:
    rng = np.random.default_rng(5)
    chosen = [Speaker("espeak", "en-us+m3"), Speaker("flite", "rms"), Speaker("pico", "en-US")]
    requests = [
        Request(speaker, word, any_manner(rng))
        for word in (*WORDS, "", "teal", "rose")
        for speaker in chosen * 2
    ]
    told: list[tuple[int, int]] = []
    two = list(render(requests, workers=2, progress=lambda done, of: told.append((done, of))))
    one = list(render(requests, workers=1))
    assert told == [(number, len(requests)) for number in range(1, len(requests) + 1)]
    assert [rendered.request for rendered in two] == requests
    for left, right in zip(one, two, strict=True):
        if left.request.text:
            assert left.samples is not None
            assert right.samples is not None
            assert left.samples.tobytes() == right.samples.tobytes()
        else:
            assert left.samples is None
            assert left.problem == right.problem is not None


def test_one_text_that_cannot_be_said_stops_those_who_need_all() -> None:
    requests = [Request(Speaker("espeak", "en-us"), text) for text in ("amber", "?")]
    with pytest.raises(EngineFailed, match=r"'\?' can be spoken"):
        rendered_clips(render(requests))
    with pytest.raises(ValueError, match="workers"):
        list(render(requests, workers=0))
