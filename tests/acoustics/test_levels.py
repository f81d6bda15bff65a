"""Levels against the standards' own numbers and against plain reference implementations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from tablevoice.acoustics.levels import (
    SILENCE_DBFS,
    a_weighted_dbfs,
    a_weighting_db,
    active_level,
    active_level_dbfs,
    mix_at_snr,
    peak,
    rms_dbfs,
    with_gain,
)
from tablevoice.acoustics.noise import shop_noise
from tablevoice.model import Clip, Samples

RATE_HZ = 16_000


def tone(frequency_hz: float, seconds: float, level: float, rate_hz: int = RATE_HZ) -> Samples:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    wave: Samples = (level * np.sin(2 * np.pi * frequency_hz * time_s)).astype(np.float32)
    return wave


def syllables(seconds: float, seed: int) -> Samples:
    """Noise that comes and goes at the pace of speech, with pauses of up to a second."""
    random = np.random.RandomState(seed)
    wave = np.zeros(round(seconds * RATE_HZ))
    at = 0
    while at < len(wave):
        n = min(len(wave) - at, round(random.uniform(0.1, 0.35) * RATE_HZ))
        burst = random.uniform(0.02, 0.15) * np.hanning(max(n, 1))
        wave[at : at + n] += burst * random.standard_normal(n)
        at += n + round(random.choice([0.02, 0.05, 0.4, 0.9]) * RATE_HZ)
    samples: Samples = np.clip(wave, -1, 1).astype(np.float32)
    return samples


def p56_per_sample(samples: Samples) -> float:
    """ITU-T P.56 method B step by step, per sample (from memory), as the reference."""
    g = math.exp(-1.0 / (RATE_HZ * 0.03))
    envelope = lfilter([1 - g], [1, -g], np.abs(samples.astype(np.float64)))
    envelope = lfilter([1 - g], [1, -g], envelope)
    hangover = math.ceil(0.2 * RATE_HZ)
    total = float(np.sum(samples.astype(np.float64) ** 2))
    before: tuple[float, float] | None = None
    for j in range(16):
        threshold = 2.0 ** (j - 15)
        count, since = 0, hangover + 1
        for loud in (envelope >= threshold).tolist():
            since = 0 if loud else since + 1
            count += since <= hangover
        if count == 0:
            break
        level = 10 * math.log10(total / count)
        above = level - 20 * math.log10(threshold)
        if above <= 15.9:
            assert before is not None
            part = (before[1] - 15.9) / (before[1] - above)
            return before[0] + part * (level - before[0])
        before = (level, above)
    raise AssertionError("no threshold fits")


def test_a_full_scale_sine_has_minus_three_dbfs() -> None:
    assert rms_dbfs(tone(1_000, 1.0, 1.0)) == pytest.approx(-3.01, abs=0.01)
    assert peak(tone(1_000, 1.0, 0.5)) == pytest.approx(0.5, abs=1e-3)


def test_nothing_and_silence_have_a_finite_level() -> None:
    for samples in (np.zeros(0, np.float32), np.zeros(800, np.float32)):
        assert rms_dbfs(samples) == SILENCE_DBFS
        assert active_level_dbfs(samples, RATE_HZ) == SILENCE_DBFS
        assert a_weighted_dbfs(samples, RATE_HZ) == SILENCE_DBFS
        assert peak(samples) == 0.0


@pytest.mark.parametrize(
    ("nominal_hz", "expected_db"),
    [
        (31.5, -39.4),
        (63, -26.2),
        (125, -16.1),
        (250, -8.6),
        (500, -3.2),
        (1_000, 0.0),
        (2_000, 1.2),
        (4_000, 1.0),
        (8_000, -1.1),
    ],
)
def test_a_weighting_matches_the_standard(nominal_hz: float, expected_db: float) -> None:
    """IEC 61672-1, table of nominal octaves (from memory); exact frequencies are 10^(n/10) Hz.

    Both the curve and the filter: a tone's level must fall by what the table says.
    """
    exact_hz = 10.0 ** (round(10 * math.log10(nominal_hz)) / 10)
    assert float(a_weighting_db([exact_hz])[0]) == pytest.approx(expected_db, abs=0.06)
    rate_hz = 48_000
    # faded, as the click at a hard start would be heard beside a tone that is 40 dB down
    sound = tone(exact_hz, 2.0, 0.5, rate_hz) * np.hanning(2 * rate_hz).astype(np.float32)
    change_db = a_weighted_dbfs(sound, rate_hz) - rms_dbfs(sound)
    assert change_db == pytest.approx(expected_db, abs=0.15)


def test_the_active_level_leaves_pauses_out() -> None:
    speaking = tone(500, 4.0, 0.2)
    with_pause = np.concatenate([speaking, np.zeros(12 * RATE_HZ, np.float32)])
    steady, paused = active_level(speaking, RATE_HZ), active_level(with_pause, RATE_HZ)
    assert steady.level_dbfs == pytest.approx(rms_dbfs(speaking), abs=0.1)
    assert steady.activity > 0.98
    assert paused.level_dbfs == pytest.approx(steady.level_dbfs, abs=0.6)
    assert rms_dbfs(with_pause) < steady.level_dbfs - 5.5
    assert paused.activity == pytest.approx(0.25, abs=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_the_active_level_agrees_with_p56_done_per_sample(seed: int) -> None:
    """Outside check: ITU-T P.56 method B (from memory), smoothed by scipy's ``lfilter``.

    P.56 asks for ±0.5 dB of an instrument.
    """
    samples = syllables(6.0, seed)
    assert active_level_dbfs(samples, RATE_HZ) == pytest.approx(p56_per_sample(samples), abs=0.5)


@settings(deadline=None, max_examples=25)
@given(gain_db=st.floats(-40, 12), seed=st.integers(0, 3))
def test_the_active_level_follows_the_gain(gain_db: float, seed: int) -> None:
    samples = syllables(3.0, seed) * np.float32(0.2)
    louder: Samples = samples * np.float32(10 ** (gain_db / 20))
    change = active_level_dbfs(louder, RATE_HZ) - active_level_dbfs(samples, RATE_HZ)
    assert change == pytest.approx(gain_db, abs=0.02)


@settings(deadline=None, max_examples=25)
@given(snr_db=st.floats(-10, 40), from_s=st.floats(0, 20), seed=st.integers(0, 3))
def test_a_mix_has_the_ratio_that_was_asked_for(snr_db: float, from_s: float, seed: int) -> None:
    speech = Clip(syllables(3.0, seed), RATE_HZ)
    noise = shop_noise(2.0, RATE_HZ, seed)
    mixed = mix_at_snr(speech, noise, snr_db, noise_from_s=from_s)
    assert peak(mixed.samples) <= 1.0
    assert len(mixed.samples) == len(speech.samples)
    # least squares: how much of the mix is speech; the rest is the noise
    flat = speech.samples.astype(np.float64)
    at = np.arange(round(from_s * RATE_HZ), round(from_s * RATE_HZ) + len(flat)) % (2 * RATE_HZ)
    both = np.stack([flat, noise.samples[at].astype(np.float64)], axis=1)
    parts, *_ = np.linalg.lstsq(both, mixed.samples.astype(np.float64), rcond=None)
    speech_db = active_level_dbfs(speech.samples, RATE_HZ) + 20 * math.log10(parts[0])
    noise_db = rms_dbfs(noise.samples[at]) + 20 * math.log10(parts[1])
    assert speech_db - noise_db == pytest.approx(snr_db, abs=0.05)


def test_a_mix_that_cannot_be_made_is_refused() -> None:
    speech = Clip(syllables(0.5, 1), RATE_HZ)
    with pytest.raises(ValueError, match="Hz"):
        mix_at_snr(speech, shop_noise(1.0, 8_000, 1), 10.0)
    with pytest.raises(ValueError, match="no noise"):
        mix_at_snr(speech, Clip(np.zeros(0, np.float32), RATE_HZ), 10.0)
    with pytest.raises(ValueError, match="silent"):
        mix_at_snr(speech, Clip(np.zeros(99, np.float32), RATE_HZ), 10.0)


def test_gain_is_limited_to_full_scale() -> None:
    clip = Clip(tone(300, 0.2, 0.5), RATE_HZ)
    assert rms_dbfs(with_gain(clip, -6.0).samples) == pytest.approx(rms_dbfs(clip.samples) - 6.0)
    assert peak(with_gain(clip, 20.0).samples) == 1.0
