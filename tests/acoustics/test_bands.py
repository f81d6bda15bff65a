"""Spectrum levels and band levels, held against signals whose spectrum is known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tablevoice.acoustics.audibility import StandsOut, hours_a_day
from tablevoice.acoustics.bands import (
    a_weighted_sum_db,
    band_levels,
    edges_hz,
    from_band_levels,
    level_and_spectrum,
    loud_moments,
    mean_db,
    spectrum_levels,
    sum_db,
)
from tablevoice.acoustics.intelligibility import OCTAVES, THIRD_OCTAVES, Procedure
from tablevoice.acoustics.levels import a_weighted_dbfs
from tablevoice.model import Clip

PROCEDURES = pytest.mark.parametrize("procedure", [OCTAVES, THIRD_OCTAVES], ids=lambda p: p.name)


def white(rate_hz: int, seconds: float, seed: int = 1) -> Clip:
    """White noise of -20 dBFS."""
    noise = 0.1 * np.random.default_rng(seed).standard_normal(round(rate_hz * seconds))
    return Clip(noise.astype(np.float32), rate_hz)


def test_band_edges_are_those_of_the_standard() -> None:
    # IEC 61260-1, base ten, one-third octaves: 891.25 to 1122.02 Hz at 1 kHz; octaves:
    # 707.95 to 1412.54 Hz (from memory).
    assert edges_hz(THIRD_OCTAVES)[8] == pytest.approx((891.25, 1122.02), abs=0.01)
    assert edges_hz(OCTAVES)[2] == pytest.approx((707.95, 1412.54), abs=0.01)


@PROCEDURES
def test_bands_join_without_a_gap(procedure: Procedure) -> None:
    edges = edges_hz(procedure)
    for (_, upper), (lower, _) in itertools.pairwise(edges):
        assert upper == pytest.approx(lower)


@PROCEDURES
def test_white_noise_has_one_spectrum_level(procedure: Procedure) -> None:
    # Its power lies evenly from 0 to half the rate.
    found = spectrum_levels(white(48_000, 20.0), procedure)
    assert found == pytest.approx(np.full(len(found), -20.0 - 10 * np.log10(24_000)), abs=0.5)


@PROCEDURES
def test_a_sine_has_its_level_in_its_own_band(procedure: Procedure) -> None:
    at_s = np.arange(22_050) / 22_050
    sine = Clip((0.5 * np.sin(2 * np.pi * 1000 * at_s)).astype(np.float32), 22_050)
    found = band_levels(spectrum_levels(sine, procedure), procedure)
    own = int(np.argmin(np.abs(procedure.centres_hz - 1000)))
    assert int(found.argmax()) == own
    assert found[own] == pytest.approx(-9.03, abs=0.1)  # 0.5 of full scale, RMS
    assert np.delete(found, own).max() < -60.0


def test_a_voice_has_nothing_above_half_its_rate_but_a_room_does() -> None:
    clip = white(16_000, 10.0)
    expected = -20.0 - 10 * np.log10(8_000)
    assert spectrum_levels(clip, THIRD_OCTAVES)[-1] < expected - 2.0
    assert spectrum_levels(clip, THIRD_OCTAVES, of_the_room=True)[-1] == pytest.approx(
        expected, abs=0.5
    )


def test_a_recording_that_lacks_the_highest_band_is_no_recording_of_a_room() -> None:
    with pytest.raises(ValueError, match=r"band at 8000 Hz, which needs 15\d\d\d Hz"):
        spectrum_levels(white(11_025, 1.0), THIRD_OCTAVES, of_the_room=True)


def test_the_loud_moments_are_those_that_are_loud() -> None:
    rate_hz = 16_000
    quiet, loud = white(rate_hz, 9.0), white(rate_hz, 1.0, seed=5)
    samples = np.concatenate([0.05 * quiet.samples[: 4 * rate_hz], loud.samples,
                              0.05 * quiet.samples[4 * rate_hz :]])  # fmt: skip
    found = loud_moments(Clip(samples.astype(np.float32), rate_hz))
    assert np.array_equal(found.samples, loud.samples)  # one second of ten
    assert len(loud_moments(Clip(samples[:100], rate_hz)).samples) == 100
    with pytest.raises(ValueError, match="no loud moments"):
        loud_moments(Clip(samples[:0], rate_hz))


def test_bands_sum_up_to_the_level_of_the_whole() -> None:
    # Pink-like noise within the octaves from 31.5 Hz to 8 kHz, weighted twice: by its bands
    # and by the filter in levels.py.
    rate_hz, n = 48_000, 48_000 * 8
    frequency_hz = np.fft.rfftfreq(n, 1 / rate_hz)
    shape = np.where((frequency_hz > 23) & (frequency_hz < 11_000), frequency_hz, np.inf) ** -0.5
    phases = np.exp(2j * np.pi * np.random.default_rng(2).random(len(shape)))
    wave = np.fft.irfft(shape * phases, n)
    clip = Clip((0.1 * wave / np.sqrt(np.mean(wave**2))).astype(np.float32), rate_hz)
    octaves = dict(
        zip(
            map(float, OCTAVES.centres_hz),
            band_levels(spectrum_levels(clip, OCTAVES), OCTAVES),
            strict=True,
        )
    )
    # Pink noise has the same level in every octave, so those below 250 Hz are known.
    octaves |= dict.fromkeys((31.5, 63.0, 125.0), octaves[250.0])
    by_filter = a_weighted_dbfs(clip.samples, rate_hz)
    assert a_weighted_sum_db(octaves) == pytest.approx(by_filter, abs=0.5)


@PROCEDURES
@pytest.mark.parametrize("rate_hz", [16_000, 22_050, 48_000])
def test_one_look_gives_the_level_and_the_spectrum_of_two(
    procedure: Procedure, rate_hz: int
) -> None:
    clip = white(rate_hz, 2.3)
    level_dbfs, spectrum_dbfs = level_and_spectrum(clip, procedure)
    assert level_dbfs == pytest.approx(a_weighted_dbfs(clip.samples, rate_hz), abs=0.05)
    assert np.array_equal(spectrum_dbfs, spectrum_levels(clip, procedure))


def test_levels_of_bands_and_spectra_are_two_ways_to_say_the_same() -> None:
    bands = np.array([60.0, 61.0, 62.0, 50.0, 40.0, 30.0])
    assert band_levels(from_band_levels(bands, OCTAVES), OCTAVES) == pytest.approx(bands)


def test_two_equal_sounds_are_three_decibels_louder_than_one() -> None:
    assert sum_db([60.0, 60.0]) == pytest.approx(63.01, abs=0.01)
    assert mean_db([[60.0], [60.0]], [1, 3])[0] == pytest.approx(60.0)


def test_no_sound_has_no_spectrum() -> None:
    with pytest.raises(ValueError, match="without samples"):
        spectrum_levels(Clip(np.zeros(0, np.float32), 16_000), OCTAVES)
    with pytest.raises(ValueError, match="no bands"):
        a_weighted_sum_db({})


@pytest.mark.parametrize(
    ("level", "room", "does", "needs", "within"),
    [
        (80.0, 65.0, True, 80.0, True),  # ISO 7731: 15 dB over the room
        (79.9, 65.0, False, 80.0, True),
        (60.0, 40.0, False, 65.0, True),  # and 65 dB(A) in any case
        (90.0, 75.0, True, 90.0, False),  # too loud for long
        (120.0, 70.0, False, 85.0, True),  # above 118 dB(A)
    ],
)
def test_a_warning_stands_out_by_the_rule(
    level: float, room: float, does: bool, needs: float, within: bool
) -> None:
    found = StandsOut(level, room)
    assert (found.does, found.needs_dba, found.within_limits) == (does, needs, within)


def test_three_decibels_more_halve_the_time() -> None:
    # NIOSH 1998, table 1-1: 85 dB(A) 8 h, 88 4 h, 91 2 h, 100 15 min (from memory).
    assert [hours_a_day(level) for level in (85, 88, 91)] == [8.0, 4.0, 2.0]
    assert hours_a_day(100.0) == pytest.approx(0.25)
    assert hours_a_day(40.0) == 24.0
