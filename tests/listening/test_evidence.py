"""The row of numbers about an utterance: its shape, its order, and that it is always finite."""

from __future__ import annotations

import numpy as np
import pytest

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.evidence import Commands
from tablevoice.listening.sound_encoder import SoundEncoder
from tablevoice.model import Hypothesis, Samples
from tests.listening.speech_clips import noise, silence, spoken

PHRASES = ("violet", "teal", "hold on", "read", "pause")


@pytest.fixture(scope="module")
def encoder() -> SoundEncoder:
    return SoundEncoder()


@pytest.fixture(scope="module")
def commands(encoder: SoundEncoder) -> Commands:
    return Commands(PHRASES, {}, encoder)


def sounds() -> dict[str, Samples]:
    return {
        "nothing": silence(0), "silence": silence(2), "hiss": noise(32_000, 0.1),
        "hum": noise(16_000, 0.3, "hum"), "NaN": np.full(800, np.nan, np.float32),
        "a word": spoken("teal"), "another word": spoken("chocolate"),
        "half a minute": np.tile(spoken("pause"), 60),
    }  # fmt: skip


@pytest.mark.parametrize("name", list(sounds()))
def test_every_sound_has_a_finite_row(
    encoder: SoundEncoder, commands: Commands, name: str
) -> None:
    row = commands.row(encoder.listen(sounds()[name]))
    assert row.shape == (2 * len(PHRASES) + 7,)
    assert row.dtype == np.float32
    assert np.isfinite(row).all()
    assert np.abs(row).max() < 50


@pytest.mark.parametrize("phrase", PHRASES)
def test_the_phrase_that_was_said_stands_out_in_both_halves(
    encoder: SoundEncoder, commands: Commands, phrase: str
) -> None:
    row = commands.row(encoder.listen(np.pad(spoken(phrase), 3_000)))
    by_direction, by_phones = row[:5], row[5:10]
    assert commands.phrases[int(np.argmax(by_direction))] == phrase
    assert commands.phrases[int(np.argmax(by_phones))] == phrase
    assert by_direction.max() > 0  # nearer than all ordinary words together


@pytest.mark.parametrize("other", ["chocolate", "window", "seventeen"])
def test_ordinary_words_are_nearer_to_themselves(
    encoder: SoundEncoder, commands: Commands, other: str
) -> None:
    row = commands.row(encoder.listen(np.pad(spoken(other), 3_000)))
    assert row[:5].max() < 0


def test_either_way_of_saying_a_word_counts(encoder: SoundEncoder, commands: Commands) -> None:
    for heard in ("reed", "red"):
        row = commands.row(encoder.listen(np.pad(spoken(heard), 3_000)))
        assert commands.phrases[int(np.argmax(row[5:10]))] == "read"


def test_what_a_phrase_is_worth_does_not_hang_on_the_others(encoder: SoundEncoder) -> None:
    sound = encoder.listen(np.pad(spoken("teal"), 3_000))
    forth = Commands(("teal", "pause"), {}, encoder).row(sound)
    back = Commands(("pause", "Teal", "teal!"), {}, encoder).row(sound)
    assert back[[1, 0, 3, 2, *range(4, 11)]] == pytest.approx(forth, abs=1e-4)


def test_the_grammars_word_is_one_of_the_columns(commands: Commands) -> None:
    evidence = {"log_likelihood_ratio": -0.5, "covered": 0.9}
    row = commands.grammar_row(Hypothesis("hold on", 0.8, True, evidence))
    assert row.tolist() == pytest.approx([0, 0, 1, 0, 0, 0, 0, 0.5, 0, 0, 0, 0.9])
    nothing = commands.grammar_row(Hypothesis("", 0.0, True))
    assert nothing.tolist() == pytest.approx([0] * 10 + [1.0, 1.0])
    unknown = commands.grammar_row(Hypothesis("something else", 1.0, False))
    assert unknown.tolist() == pytest.approx([0] * 10 + [0.0, 1.0])


def test_evidence_without_measure_stays_within_bounds(commands: Commands) -> None:
    wild = {"log_likelihood_ratio": -1e9, "covered": 1e9}
    row = commands.grammar_row(Hypothesis("teal", 0.8, True, wild))
    assert np.abs(row).max() <= 5.0


def test_a_word_without_a_sound_is_told(encoder: SoundEncoder) -> None:
    with pytest.raises(RecogniserUnavailable, match="zaffrex"):
        Commands(("teal", "zaffrex"), {}, encoder)
    own = Commands(("teal", "zaffrex"), {"zaffrex": ("Z AE F ER",)}, encoder)
    row = own.row(encoder.listen(np.pad(spoken("zaffer"), 3_000)))
    assert int(np.argmax(row[:2])) == 1
