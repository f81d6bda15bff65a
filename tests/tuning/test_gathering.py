"""Examples become the same rows, however many processes make them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tablevoice.corpora.speakers import Speaker
from tablevoice.errors import EngineFailed
from tablevoice.tuning.examples import Example, Stage
from tablevoice.tuning.false_starts import MOST_OF_A_PIECE, false_starts
from tablevoice.tuning.gathering import Setting, gather
from tablevoice.tuning.training import classes_of
from tests.listening.speech_clips import noise, spoken

PHRASES = ("pause", "teal")
SETTING = Setting(
    PHRASES, {}, "pocketsphinx", None, (noise(64_000, 0.1, "hum"),), (spoken("teal"),), ("pink",)
)
CAST = (Speaker("espeak", "en-us"), Speaker("flite", "rms"), Speaker("hibari", "af_heart"))


def examples() -> list[Example]:
    made = []
    for seed in range(24):  # two shares
        phrase = ("teal", "pause", "")[seed % 3]
        speaker = CAST[seed % 2]
        made.append(Example(phrase, phrase or "window", speaker, "command", 12.0, seed))
    made[5] = Example("", "...", CAST[0], "line", 12.0, 5)  # nobody can say it
    made[7] = Example("", "", None, "noise", 12.0, 7)
    made[9] = Example("teal", "", None, "command", 12.0, 9, given=0)
    return made


def test_one_process_and_two_give_the_same_rows() -> None:
    wanted = examples()
    steps: list[tuple[int, int]] = []
    one = gather(wanted, SETTING, workers=1, progress=lambda done, of: steps.append((done, of)))
    two = gather(wanted, SETTING, workers=2)
    kept = [example for example in wanted if example.text != "..."]
    assert one.examples == two.examples == kept
    assert steps == [(16, 24), (24, 24)]
    assert one.sound.shape == (23, 2 * 2 + 7)
    assert one.grammar.shape == (len(one.asked), 2 * 2 + 2)
    assert len(one.asked) >= 5  # the grammar is slow, and is not asked about all
    assert np.array_equal(one.asked, two.asked)
    heard = [kept[index].phrase if row[:2].any() else "" for index, row in zip(
        one.asked, one.grammar, strict=True)]  # fmt: skip
    right = [row[:2].tolist() == [text == "pause", text == "teal"] for text, row in zip(
        heard, one.grammar, strict=True)]  # fmt: skip
    assert np.mean(right) > 0.5
    assert np.array_equal(one.sound, two.sound)
    assert np.array_equal(one.grammar, two.grammar)
    assert np.isfinite(one.sound).all()
    said = np.array([example.phrase for example in kept])
    nearest = one.sound[:, :2].argmax(axis=1)
    assert (nearest[said == "pause"] == 0).mean() > 0.8
    assert (nearest[said == "teal"] == 1).mean() > 0.8


def test_of_a_room_alone_all_that_is_taken_for_speech_is_learnt_as_nothing() -> None:
    radio = np.concatenate([spoken(text) for text in ("weather", "and now", "for sailors")] * 3)
    room = replace(SETTING, kinds=("pink",), own_noises=(radio,))
    piece = Example("", "", None, "alone", 0.0, 8)
    found = gather([examples()[1], piece], room, workers=1)
    cut = false_starts(Stage((radio,), ("pink",), SETTING.seed).machines_alone(piece))
    assert 1 <= len(cut) <= MOST_OF_A_PIECE
    assert found.examples == [examples()[1]] + [piece] * len(cut)
    assert found.sound.shape == (1 + len(cut), 11)
    assert not classes_of(found.examples, ("pause",))[1:].any()
    quiet = replace(SETTING, kinds=("hum",), own_noises=())
    assert gather([examples()[1], piece], quiet, workers=1).examples == [examples()[1]]


def test_the_grammar_may_have_been_asked_about_none() -> None:
    found = gather([examples()[1], examples()[5]], SETTING, workers=1)
    assert found.sound.shape == (1, 11)
    assert found.asked.shape == (0,)
    assert found.grammar.shape == (0, 6)


def test_nothing_at_all_is_an_error() -> None:
    with pytest.raises(EngineFailed, match="No example could be made"):
        gather(examples()[5:6], SETTING, workers=1)
