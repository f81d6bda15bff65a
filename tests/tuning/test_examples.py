"""The plan of what is said, and what becomes of it in a room."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tablevoice.corpora.speakers import Speaker
from tablevoice.listening.dictionary import ways_of_saying
from tablevoice.tuning.examples import Amounts, Example, Stage, plan
from tests.listening.speech_clips import noise, spoken

CAST = [Speaker("espeak", "en-us"), Speaker("espeak", "en-gb"), Speaker("flite", "rms")]
PHRASES = ("Bed", "red", "hold on", "blew", "zaffre")
SOUNDS = {"Zaffre": ("Z AE F ER",)}
LINES = ["It is up.", "Blue!", "The lamp says zzyzzx.", "Hold on"]
FEW = Amounts(
    each_command=30, near_each=20, near_speakers=2, parts_speakers=2, carried_each=3,
    sentences=20, words=400, lines=25, noises=11, alone=7, each_recording=4,
)  # fmt: skip


@cache
def planned(seed: int = 1, recordings: tuple[str, ...] = ("red", "")) -> list[Example]:
    return plan(
        PHRASES, CAST, pronunciations=SOUNDS, lines=LINES, recordings=recordings, amounts=FEW,
        seed=seed,
    )  # fmt: skip


def test_many_recordings_are_heard_less_often_each() -> None:
    many = planned(recordings=("red",) * 700)
    few = planned(recordings=("red",) * 10)
    assert Counter(e.given for e in few if e.given is not None) == dict.fromkeys(range(10), 4)
    generous = plan(
        PHRASES, CAST, pronunciations=SOUNDS, lines=LINES, recordings=("red",) * 100,
        amounts=replace(FEW, each_recording=40, all_recordings=2500), seed=1,
    )  # fmt: skip
    assert Counter(e.given for e in generous if e.given is not None) == dict.fromkeys(
        range(100), 25)  # fmt: skip
    assert sum(e.given is not None for e in many) == 700 * 4


def test_the_same_seed_gives_the_same_plan_and_another_one_another() -> None:
    assert planned() != planned(2)
    again = plan(
        list(reversed(PHRASES)), list(reversed(CAST)), pronunciations=SOUNDS, lines=LINES,
        recordings=("red", ""), amounts=FEW, seed=1,
    )  # fmt: skip
    assert again == planned()


def test_it_holds_what_was_ordered() -> None:
    examples = planned()
    groups = Counter(example.group for example in examples)
    phrases = Counter(example.phrase for example in examples)
    commands = {"bed", "red", "hold on", "blew", "zaffre"}
    assert groups["command"] == 30 * 5 + 4
    assert {phrase: phrases[phrase] for phrase in commands} == {
        "bed": 30, "red": 34, "hold on": 30, "blew": 30, "zaffre": 30
    }  # fmt: skip
    assert groups["carried"] == 15
    assert groups["sentence"] == 20
    assert groups["line"] == 25
    assert (groups["noise"], groups["alone"]) == (11, 7)
    assert groups["recording"] == 4
    assert 300 < groups["word"] <= 400
    assert groups["near"] % 2 == 0
    assert groups["near"] >= 2 * 15
    assert groups["part"] >= 2
    carried = {example.text for example in examples if example.group == "carried"}
    assert not carried & commands
    assert all(any(phrase in text for phrase in commands) for text in carried)
    assert Counter(e.given for e in examples if e.given is not None) == {0: 4, 1: 4}
    nobody = ("noise", "alone", "recording")
    assert all((e.speaker is None) == (e.group in nobody or e.given is not None)
               for e in examples)  # fmt: skip
    families = Counter(e.speaker.family for e in examples if e.speaker is not None)
    # By family, not by voice; the slow one half as often.
    assert families["flite"] / sum(families.values()) == pytest.approx(1 / 3, abs=0.07)


def test_nothing_that_sounds_as_a_command_is_held_against_it() -> None:
    """``read`` is near to ``bed`` but is ``red``; ``blue`` is how ``blew`` sounds."""
    sounds = {way for phrase in PHRASES for way in ways_of_saying(phrase, SOUNDS)}
    known = [e for e in planned() if e.group in ("near", "part", "word")]
    assert known
    for example in known:
        assert not sounds & set(ways_of_saying(example.text, SOUNDS)), example
    assert {e.text for e in planned() if e.group == "line"} == {LINES[0], LINES[2]}


def test_ratios_fill_the_range_and_some_are_clean() -> None:
    ratios = np.array([example.snr_db for example in planned()])
    clean = ratios == 35.0
    assert 0.05 < clean.mean() < 0.2
    assert ratios[~clean].min() == pytest.approx(-4.0, abs=1.0)
    assert ratios[~clean].max() == pytest.approx(24.0, abs=1.0)


def test_families() -> None:
    voice = Example("red", "red", CAST[2], "command", 5.0, 3)
    assert voice.family == "flite"
    assert replace(voice, speaker=None).family == "nobody"
    assert replace(voice, given=3).family == "person"


@pytest.fixture(scope="module")
def stage() -> Stage:
    return Stage(kinds=("pink",))


def test_the_same_example_sounds_the_same_on_every_stage(stage: Stage) -> None:
    example = Example("red", "red", CAST[0], "command", 10.0, 77)
    stage.perform(replace(example, seed=3))
    one, other = stage.perform(example), Stage(kinds=("pink",)).perform(example)
    assert one is not None
    assert other is not None
    assert np.array_equal(one.samples, other.samples)
    assert one.speech_s == other.speech_s > 0.15
    assert np.abs(one.samples).max() <= 1.0
    louder = stage.perform(replace(example, snr_db=-3.0))
    assert louder is not None
    assert not np.array_equal(one.samples, louder.samples)


def test_a_recording_is_heard_in_place_of_a_voice(stage: Stage) -> None:
    said = spoken("violet")
    example = Example("red", "", None, "command", 35.0, 5, given=0)
    heard = stage.perform(example, said)
    assert heard is not None
    assert heard.speech_s == pytest.approx(len(said) / 16_000)
    likeness = np.correlate(heard.samples, said) / (
        np.linalg.norm(heard.samples) * np.linalg.norm(said)
    )
    assert np.abs(likeness).max() > 0.3
    long = stage.perform(example, np.tile(said, 40))
    assert long is not None
    assert len(long.samples) < 16_000 * 5


def test_noise_alone_has_no_ratio_and_comes_from_the_room_too() -> None:
    hum = noise(16_000 * 4, 0.1, "hum")
    own = Stage(own_noises=(hum,), kinds=("pink",))
    example = Example("", "", None, "noise", 3.0, 0)
    low = 0
    for seed in range(20):
        heard = own.perform(replace(example, seed=seed))
        assert heard is not None
        assert 8_000 <= len(heard.samples) <= 28_800
        spectrum = np.abs(np.fft.rfft(heard.samples)) ** 2
        cut = len(heard.samples) * 600 // 16_000
        low += spectrum[:cut].sum() > 0.85 * spectrum.sum()
    assert 3 <= low <= 17  # the room's own about half of the time


def test_a_piece_of_machines_alone_is_another_one_for_each_seed() -> None:
    hum = noise(16_000 * 4, 0.1, "hum")
    own = Stage(own_noises=(hum,), kinds=("pink", "babble"))
    pieces = [own.machines_alone(Example("", "", None, "alone", 3.0, seed)) for seed in range(12)]
    assert all(len(piece) == 30 * 16_000 and np.abs(piece).max() <= 1.0 for piece in pieces)
    assert len({piece.tobytes() for piece in pieces}) == 12
    again = Stage(own_noises=(hum,), kinds=("pink", "babble"))
    assert np.array_equal(
        again.machines_alone(Example("", "", None, "alone", 3.0, 5)), pieces[5])  # fmt: skip
    low = 0
    for piece in pieces:
        spectrum = np.abs(np.fft.rfft(piece)) ** 2
        low += spectrum[: len(piece) * 600 // 16_000].sum() > 0.85 * spectrum.sum()
    assert 2 <= low <= 10  # the room's own about half of the time


def test_what_cannot_be_said_is_left_out(stage: Stage) -> None:
    assert stage.perform(Example("", "...", CAST[0], "line", 10.0, 1)) is None
