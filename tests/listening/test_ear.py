"""The whole ear on real speech: people, the table's own voice, and changes in the middle."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from tablevoice.listening.ear import Ear
from tablevoice.listening.recognisers import Recogniser, open_recogniser
from tablevoice.model import Heard, Samples
from tests.listening.speech_clips import noise, silence, spoken

ALSA = Path("/usr/share/sounds/alsa")
COLOURS = ["amber", "violet", "indigo", "scarlet"]
STANDING = ["pause", "hold on", "stop", "repeat", "help", "never mind"]


@pytest.fixture
def recogniser() -> Iterator[Recogniser]:
    opened = open_recogniser("pocketsphinx")
    yield opened
    opened.close()


def listen(ear: Ear, mic: Samples, played: Samples | None = None, block: int = 480) -> list[Heard]:
    heard = []
    for start in range(0, len(mic), block):
        cut = mic[start : start + block]
        reference = None if played is None else played[start : start + block]
        heard += ear.feed(cut, (start + len(cut)) / 16000, reference)
    return heard


def test_human_phrases_are_recognised(recogniser: Recogniser) -> None:
    # Outside check: the recorded person in Debian's alsa-utils.
    files = [path for path in sorted(ALSA.glob("*.wav")) if path.stem != "Noise"]
    if not files:
        pytest.skip("no human recordings; they come with: apt install alsa-utils")
    phrases = [path.stem.lower().replace("_", " ") for path in files]
    ear = Ear(recogniser)
    ear.allow(phrases, ["pause", "stop"])
    said = []
    for path in files:
        samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
        person = soxr.resample(samples[:, 0], rate_hz, 16000)
        track = np.concatenate((silence(0.5), person, silence(1))).astype(np.float32)
        said.append([heard.hypothesis.text for heard in listen(ear, track)])
    assert said == [[phrase] for phrase in phrases]


def test_a_visitor_is_heard_with_the_session_time(recogniser: Recogniser) -> None:
    ear = Ear(recogniser)
    ear.allow(COLOURS, STANDING)
    track = np.concatenate((silence(1), spoken("violet"), silence(0.6)))
    heard = listen(ear, track + noise(len(track), 0.001), block=777)
    assert [h.hypothesis.text for h in heard] == ["violet"]
    assert heard[0].start_s == pytest.approx(1.0, abs=0.06)
    assert not heard[0].during_speech
    assert heard[0].hypothesis.calibrated


def test_the_same_samples_give_the_same_result() -> None:
    track = np.concatenate((silence(1), spoken("indigo", "en-gb+f2"), silence(0.6)))
    results = []
    for block in (160, 1000):
        opened = open_recogniser("pocketsphinx")
        ear = Ear(opened)
        ear.allow(COLOURS, STANDING)
        results.append([h.hypothesis for h in listen(ear, track, block=block)])
        opened.close()
    assert results[0] == results[1]
    assert results[0]


def test_an_open_utterance_keeps_the_phrases_it_began_with(recogniser: Recogniser) -> None:
    ear = Ear(recogniser)
    ear.allow(COLOURS, STANDING)
    word = spoken("violet")
    first = np.concatenate((silence(1), word[: len(word) * 2 // 3]))
    assert listen(ear, first) == []
    assert ear.in_speech
    ear.allow(["front left"], STANDING)
    rest = np.concatenate((word[len(word) * 2 // 3 :], silence(0.6)))
    assert [h.hypothesis.text for h in listen(ear, rest)] == ["violet"]


@pytest.mark.parametrize("leak_db", [0.0, -12.0])
@pytest.mark.parametrize("late", [0, 640])
@pytest.mark.parametrize(
    "line", ["pause before you pick", "stop means stop", "hold on, amber or violet"]
)
def test_the_table_does_not_hear_itself(
    recogniser: Recogniser, leak_db: float, late: int, line: str
) -> None:
    played = np.concatenate((silence(0.5), spoken(line, "en-gb+m1"), silence(1)))
    mic = np.roll(played, late) * 10 ** (leak_db / 20) + noise(len(played), 0.001)
    ear = Ear(recogniser)
    ear.allow(COLOURS, STANDING)
    assert listen(ear, mic.astype(np.float32), played) == []


def test_without_the_reference_the_same_line_is_heard(recogniser: Recogniser) -> None:
    # The check above could pass on a deaf ear; this one says that it is the gate's doing.
    ear = Ear(recogniser)
    ear.allow(COLOURS, STANDING)
    played = np.concatenate((silence(0.5), spoken("pause before you pick"), silence(1)))
    assert listen(ear, played + noise(len(played), 0.001))


def test_a_louder_person_gets_through_and_only_with_standing_commands(
    recogniser: Recogniser,
) -> None:
    voices = ["en-us", "en-us+f3", "en-gb+f2", "en-us+m3", "en-gb+m1", "en-us+f4"]
    noticed = right = 0
    for voice in voices:
        line = spoken("we hang the lanterns in turn and the moths are watching us", "en-gb")
        person = spoken("pause", voice) * 2.0  # +6 dB
        played = np.concatenate((silence(0.5), line, line, silence(1)))
        mic = played + noise(len(played), 0.001)
        mic[40000 : 40000 + len(person)] += person
        ear = Ear(recogniser)
        ear.allow(COLOURS, STANDING)
        heard = listen(ear, mic, played)
        noticed += bool(heard)
        right += any(h.hypothesis.text in ("pause", "hold on", "stop") for h in heard)
        assert all(h.hypothesis.text in ("", *STANDING) for h in heard)
    # A competing voice 6 dB below is hard for the recogniser; the gate itself must open.
    assert noticed >= 5
    assert right >= 2


def test_nothing_allowed_is_nothing_recognised(recogniser: Recogniser) -> None:
    ear = Ear(recogniser)
    track = np.concatenate((silence(1), spoken("violet"), silence(1)))
    assert {h.hypothesis.text for h in listen(ear, track)} <= {""}
