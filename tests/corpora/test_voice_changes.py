"""Pitch, tempo, tract and effort of a clip, each changed without the others."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.corpora.voice_changes import changed
from tests.corpora.signals import buzz, pitch_hz, strongest_band_hz

VOWEL = buzz(120.0, 0.8, (700.0, 1_800.0))


@pytest.mark.parametrize("semitones", [-4.0, -2.0, 2.0, 4.0])
def test_pitch_moves_and_length_and_formant_stay(semitones: float) -> None:
    made = changed(VOWEL, pitch_semitones=semitones)
    assert pitch_hz(made) == pytest.approx(120.0 * 2 ** (semitones / 12), rel=0.03)
    assert len(made) == pytest.approx(len(VOWEL), rel=0.03)
    assert strongest_band_hz(made, 1_300, 2_600) == pytest.approx(1_800, rel=0.08)


@pytest.mark.parametrize("tempo", [0.7, 0.85, 1.2, 1.5])
def test_tempo_moves_and_pitch_stays(tempo: float) -> None:
    made = changed(VOWEL, tempo=tempo)
    assert len(made) == pytest.approx(len(VOWEL) / tempo, rel=0.03)
    assert pitch_hz(made) == pytest.approx(120.0, rel=0.03)


@pytest.mark.parametrize("tract", [0.87, 1.15])
def test_a_longer_tract_lowers_the_formants_and_leaves_the_pitch(tract: float) -> None:
    made = changed(VOWEL, tract=tract)
    assert len(made) == len(VOWEL)
    assert pitch_hz(made) == pytest.approx(120.0, rel=0.02)
    assert strongest_band_hz(made, 1_300, 2_600) == pytest.approx(1_800 / tract, rel=0.06)


def test_effort_tilts_the_spectrum_by_what_was_asked() -> None:
    made = changed(VOWEL, effort_db_per_octave=3.0)
    power = [
        np.abs(np.fft.rfft(wave.astype(np.float64))) ** 2 for wave in (VOWEL, made)
    ]  # fmt: skip
    at_hz = np.fft.rfftfreq(len(VOWEL), 1 / 16_000)

    def gain_db(low_hz: float, high_hz: float) -> float:
        band = (at_hz > low_hz) & (at_hz < high_hz)
        return float(10 * np.log10(power[1][band].sum() / power[0][band].sum()))

    assert gain_db(100, 400) == pytest.approx(0.0, abs=0.3)
    assert gain_db(1_900, 2_100) == pytest.approx(6.0, abs=1.0)  # two octaves above 500 Hz


def test_no_change_is_no_change() -> None:
    assert np.allclose(changed(VOWEL), VOWEL)


@settings(deadline=None, max_examples=25)
@given(
    n=st.integers(0, 9_000),
    tempo=st.floats(0.6, 1.8),
    semitones=st.floats(-6, 6),
    tract=st.floats(0.8, 1.25),
)
def test_any_clip_comes_out_as_numbers_of_about_its_length(
    n: int, tempo: float, semitones: float, tract: float
) -> None:
    clip = np.random.default_rng(n).uniform(-0.5, 0.5, n).astype(np.float32)
    made = changed(clip, tempo=tempo, pitch_semitones=semitones, tract=tract)
    assert made.dtype == np.float32
    assert bool(np.isfinite(made).all())
    if n >= 1_500:
        assert len(made) == pytest.approx(n / tempo, rel=0.05)


def test_what_would_be_another_sound_altogether_is_refused() -> None:
    with pytest.raises(ValueError, match="pitch"):
        changed(VOWEL, pitch_semitones=24.0)
    with pytest.raises(ValueError, match="tract"):
        changed(VOWEL, tract=0.2)
