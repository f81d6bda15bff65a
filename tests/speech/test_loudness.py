"""Loudness against the published test signals and against arithmetic; lines of a real engine."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.model import Clip, Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.loudness import Loudness, integrated_lufs, levelled, true_peak_dbtp
from tablevoice.speech.store import PreparedStore
from tablevoice.speech.trimming import trim

RATES = (16_000, 22_050, 24_000, 48_000)
"""Of espeak-ng (22,050), hibari (24,000), some piper voices (16,000), and the standard's own."""

BOTH_CHANNELS_LU = 10 * math.log10(2)
"""ITU-R BS.1770 sums the channels: the same sound in two is 3.01 LU more than in one, and ours
is one. The EBU's signals are stereo, the same in both."""


def tone(dbfs: float, seconds: float, rate_hz: int, hz: float = 1000.0) -> Clip:
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    samples = 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * at)
    return Clip(samples.astype(np.float32), rate_hz)


def after_another(*clips: Clip) -> Clip:
    return Clip(np.concatenate([clip.samples for clip in clips]), clips[0].rate_hz)


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("dbfs", [-23.0, -33.0])
def test_ebu_tech_3341_cases_1_and_2(dbfs: float, rate_hz: int) -> None:
    """EBU Tech 3341, minimum requirements (from memory).

    1: stereo sine, 1000 Hz, -23.0 dBFS, 20 s: -23.0 ± 0.1 LUFS. 2: the same at -33.0.
    """
    measured = integrated_lufs(tone(dbfs, 20.0, rate_hz)) + BOTH_CHANNELS_LU
    assert measured == pytest.approx(dbfs, abs=0.1)


def test_bs_1770_reference_tone() -> None:
    """ITU-R BS.1770-4, Annex 1 (from memory): 997 Hz at 0 dBFS in one front channel: -3.01 LKFS."""
    measured = integrated_lufs(tone(0.0, 5.0, 48_000, 997.0))
    assert measured == pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize("rate_hz", RATES)
def test_ebu_tech_3341_cases_3_to_5_are_gated(rate_hz: int) -> None:
    """EBU Tech 3341, minimum requirements (from memory), each -23.0 ± 0.1 LUFS, 1000 Hz stereo.

    3: 10 s at -36, 60 s at -23, 10 s at -36 dBFS. 4: 10 s at -72, 10 s at -36, 60 s at -23,
    10 s at -36, 10 s at -72. 5: 20 s at -26, 20.1 s at -20, 20 s at -26.
    """
    cases = (
        ((-36, 10), (-23, 60), (-36, 10)),
        ((-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)),
        ((-26, 20), (-20, 20.1), (-26, 20)),
    )
    for case in cases:
        clip = after_another(*(tone(dbfs, seconds, rate_hz) for dbfs, seconds in case))
        assert integrated_lufs(clip) + BOTH_CHANNELS_LU == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", RATES)
def test_ebu_tech_3341_true_peaks_between_samples(rate_hz: int) -> None:
    """EBU Tech 3341, true-peak cases 15 to 18 (from memory): -6.0 +0.2/-0.4 dBTP.

    Sines of amplitude 0.5 at a quarter, sixth and eighth of the rate, at phases at which no
    sample meets the peak (45°, 60°, 67.5°); the samples alone are up to 3 dB below it. Faded in
    and out over 5 ms: an abrupt start has a higher peak of its own.
    """
    n = np.arange(rate_hz)
    fade = np.minimum(1.0, np.minimum(n, n[::-1]) / (0.005 * rate_hz))
    for divisor, phase_deg in ((4, 0.0), (4, 45.0), (6, 60.0), (8, 67.5)):
        wave = 0.5 * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
        wave = wave * fade
        assert -6.4 <= true_peak_dbtp(Clip(wave.astype(np.float32), rate_hz)) <= -5.8


def test_the_highest_sample_may_be_far_below_the_true_peak() -> None:
    """The check above could not fail on a meter of samples otherwise."""
    wave = 0.5 * np.sin(2 * np.pi * np.arange(48_000) / 4 + np.radians(45.0))
    assert 20 * math.log10(np.max(np.abs(wave))) == pytest.approx(-9.03, abs=0.01)


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("seconds", [0.05, 0.1, 0.2, 0.39, 0.4, 0.41, 0.5, 1.0])
def test_a_short_line_is_as_loud_as_a_long_one(seconds: float, rate_hz: int) -> None:
    """The rule for lines under a gating block: one block as long as the line."""
    long = integrated_lufs(tone(-20.0, 10.0, rate_hz))
    assert integrated_lufs(tone(-20.0, seconds, rate_hz)) == pytest.approx(long, abs=0.25)


def test_silence_has_no_loudness_and_stays_silence() -> None:
    for seconds in (0.0, 0.1, 1.0):
        silence = Clip(np.zeros(round(seconds * 22_050), np.float32), 22_050)
        assert integrated_lufs(silence) == -math.inf
        assert true_peak_dbtp(silence) == -math.inf
        assert levelled(silence, Loudness()).short_db == 0.0
        np.testing.assert_array_equal(levelled(silence, Loudness()).clip.samples, silence.samples)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    seconds=st.floats(0.05, 2.0),
    level=st.floats(0.05, 1.0),
    crest=st.floats(1.0, 40.0),
    target=st.floats(-40.0, -9.0),
    ceiling=st.floats(-20.0, 0.0),
)
def test_a_line_reaches_its_loudness_or_its_ceiling_and_never_passes_either(
    seed: int, seconds: float, level: float, crest: float, target: float, ceiling: float
) -> None:
    noise = np.random.default_rng(seed)
    samples = noise.normal(0, level / crest, round(seconds * 22_050))
    samples[noise.integers(len(samples))] = level
    done = levelled(Clip(samples.astype(np.float32), 22_050), Loudness(target, ceiling))
    loudness, peak = integrated_lufs(done.clip), true_peak_dbtp(done.clip)
    assert loudness <= target + 0.05
    assert peak <= ceiling + 0.05
    assert abs(loudness - target) < 0.05 or abs(peak - ceiling) < 0.05
    assert done.short_db == pytest.approx(target - loudness, abs=0.05)


LINES = ("Teal.", "No.", "Four lights. Call the colour that finishes it.", "What a lovely string!")


def test_lines_of_all_voices_come_to_one_loudness_through_the_store(engine: Engine) -> None:
    """Real lines, measured after the store's 16 bits; as they come they lie further apart."""
    voices = [
        Voice("Alder", voice="en-gb+m3", rate_wpm=150, pitch=40),
        Voice("Briar", voice="en-us+f3", rate_wpm=180, pitch=70, gain_db=-12.0),
        Voice("Cho", voice="en-us+whisper"),
    ]
    store = PreparedStore(None, 0, loudness=Loudness(-26.0, -1.0))
    raw, found = [], []
    for voice in voices:
        for line in LINES:
            raw.append(integrated_lufs(trim(engine.render(line, voice))) - voice.gain_db)
            clip = store.clip_for(line, voice, engine)
            found.append(integrated_lufs(clip) - voice.gain_db)
            assert true_peak_dbtp(clip) <= -0.95
    assert max(raw) - min(raw) > 3.0
    assert max(abs(loudness + 26.0) for loudness in found) < 0.1
