"""Ratios, levels, clipping and colour are what was asked for, measured from outside."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.acoustics.levels import active_level_dbfs, peak, rms_dbfs
from tablevoice.corpora.mixing import (
    Colour,
    Peak,
    any_colour,
    at_level,
    clipped,
    coloured,
    mixed,
    noise_for,
    padded,
    recorded,
)
from tablevoice.corpora.noises import noise
from tablevoice.model import LISTENING_RATE_HZ
from tests.corpora.signals import buzz

WORD = buzz(130.0, 0.6, (600.0, 1_500.0))
NOISE = noise("pink", 5.0, 1)


@settings(deadline=None, max_examples=12)
@given(snr_db=st.floats(-10, 30), before_s=st.floats(0, 3), seed=st.integers(0, 2**32))
def test_the_ratio_is_that_of_the_active_part(snr_db: float, before_s: float, seed: int) -> None:
    """A steady vowel is active all through: its plain RMS is its level, silence around or not."""
    speech = padded(WORD, before_s, 0.5)
    made = mixed(speech, NOISE, snr_db, np.random.default_rng(seed))
    under = made.astype(np.float64) - speech
    ratio_db = 20 * np.log10(np.std(WORD) / np.sqrt(np.mean(under**2)))
    # P.56 counts its hangover of 0.2 s and the fall of its envelope (some 0.07 s) as active:
    # 10 log (0.87 / 0.6) = 1.6 dB, and no more.
    assert snr_db - 0.5 <= float(ratio_db) <= snr_db + 1.8


def test_the_noise_comes_from_anywhere_in_it() -> None:
    ramp = np.arange(1_000, dtype=np.float32)
    rng = np.random.default_rng(1)
    starts = {float(noise_for(ramp, 10, rng)[0]) for _ in range(200)}
    assert len(starts) > 150
    assert len(noise_for(ramp, 2_500, rng)) == 2_500


def test_silence_has_no_ratio() -> None:
    rng = np.random.default_rng(1)
    silence = np.zeros(8_000, np.float32)
    with pytest.raises(ValueError, match="silence"):
        mixed(silence, NOISE, 10.0, rng)
    with pytest.raises(ValueError, match="silence"):
        mixed(WORD, silence, 10.0, rng)
    with pytest.raises(ValueError, match="no noise"):
        mixed(WORD, silence[:0], 10.0, rng)


def test_speech_comes_to_the_level_that_was_asked_for() -> None:
    for level_dbfs in (-40.0, -26.0, -10.0):
        made = at_level(padded(WORD, 0.5, 0.5), level_dbfs)
        assert active_level_dbfs(made, LISTENING_RATE_HZ) == pytest.approx(level_dbfs, abs=0.05)
    silence = np.zeros(100, np.float32)
    assert not at_level(silence, -20.0).any()


def test_an_input_turned_up_too_far_cuts_off() -> None:
    tone = 0.1 * np.sin(2 * np.pi * 200 * np.arange(16_000) / 16_000)
    made = clipped(tone.astype(np.float32), 6.0206)
    # A sine of amplitude 2 lies beyond ±1 for 2/3 of the time: arcsin(1/2) = 30 degrees.
    assert float(np.mean(np.abs(made) >= 0.9999)) == pytest.approx(2 / 3, abs=0.01)
    assert peak(made) == 1.0
    assert not clipped(np.zeros(10, np.float32), 6.0).any()


def test_a_microphone_colours_as_its_response_says() -> None:
    colour = Colour(200.0, 4_000.0, 1.0, (Peak(1_000.0, 6.0, 1.0),))
    for frequency_hz in (100.0, 500.0, 1_000.0, 2_000.0, 6_000.0):
        tone = np.sin(2 * np.pi * frequency_hz * np.arange(16_000) / 16_000).astype(np.float32)
        passed = coloured(tone, colour)[4_000:12_000]
        gain = float(np.std(passed) / np.std(tone))
        assert gain == pytest.approx(float(colour.gain(np.array([frequency_hz]))[0]), rel=0.02)
    # second-order edges: 3 dB down at the edge, 12 dB an octave below it
    plain = Colour(200.0, 1e9)
    gains_db = 20 * np.log10(plain.gain(np.array([200.0, 25.0, 12.5])))
    assert float(gains_db[0]) == pytest.approx(-3.01, abs=0.01)
    assert float(gains_db[1] - gains_db[2]) == pytest.approx(12.04, abs=0.1)


def test_random_microphones_differ_but_let_speech_through() -> None:
    rng = np.random.default_rng(1)
    colours = [any_colour(rng) for _ in range(200)]
    assert len(set(colours)) == 200
    for colour in colours:
        passed = coloured(WORD, colour)
        assert len(passed) == len(WORD)
        assert rms_dbfs(passed) > rms_dbfs(WORD) - 15.0
    flat = any_colour(rng, 0.0)
    assert np.allclose(coloured(WORD, flat), WORD, atol=0.02)
    assert len(coloured(WORD[:0], flat)) == 0


def test_an_input_has_sixteen_bits_and_a_limit() -> None:
    made = recorded(3.0 * WORD)
    assert peak(made) <= 1.0
    steps = made * 32_768
    assert np.allclose(steps, np.round(steps), atol=1e-3)
    assert rms_dbfs(recorded(WORD, -30.0)) == pytest.approx(-30.0, abs=0.05)
