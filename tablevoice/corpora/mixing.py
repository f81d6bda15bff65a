"""Puts a clip into a room's noise, through a microphone: SNR, level, clipping, colour.

Levels of speech are those of its active part, in the manner of ITU-T P.56
(:mod:`tablevoice.acoustics.levels`); levels of noise are RMS. Pure: chance comes in as a
generator. Called by tuning and evaluation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tablevoice.acoustics.levels import active_level_dbfs, rms_dbfs
from tablevoice.acoustics.shaping import Wave
from tablevoice.model import LISTENING_RATE_HZ, Samples

_SILENT_DBFS = -100.0


@dataclass(frozen=True, slots=True)
class Peak:
    """A gentle hill or dip of a microphone's response: where, how high, how many octaves wide."""

    at_hz: float
    gain_db: float
    octaves: float


@dataclass(frozen=True, slots=True)
class Colour:
    """A microphone's frequency response: band limits (second order), tilt, a few hills.

    ``tilt_db_per_octave`` turns about 1 kHz.
    """

    low_hz: float = 20.0
    high_hz: float = 20_000.0
    tilt_db_per_octave: float = 0.0
    peaks: tuple[Peak, ...] = ()

    def gain(self, frequency_hz: Wave) -> Wave:
        """Amplitude factor at each frequency; 0 Hz counts as 1 Hz."""
        at_hz = np.maximum(frequency_hz, 1.0)
        gain_db = self.tilt_db_per_octave * np.log2(at_hz / 1_000.0)
        for peak in self.peaks:
            away = np.log2(at_hz / peak.at_hz) / (0.5 * peak.octaves)
            gain_db = gain_db + peak.gain_db * np.exp(-0.5 * away**2)
        low, high = (self.low_hz / at_hz) ** 4, (at_hz / self.high_hz) ** 4
        return np.asarray(10.0 ** (gain_db / 20.0) / np.sqrt((1.0 + low) * (1.0 + high)))


def any_colour(rng: np.random.Generator, strength: float = 1.0) -> Colour:
    """A microphone drawn at random; at ``strength`` 1 as different as good and bad ones are.

    Our choice of widths: low edge 20 to 300 Hz, high edge 3.4 kHz (a telephone) and up,
    tilt ±2 dB an octave, up to three hills of ±6 dB.
    """
    low_hz = 20.0 * (300.0 / 20.0) ** (rng.random() * strength)
    high_hz = 20_000.0 * (3_400.0 / 20_000.0) ** (rng.random() ** 2 * strength)
    peaks = tuple(
        Peak(
            float(150.0 * (6_000.0 / 150.0) ** rng.random()),
            float(strength * rng.uniform(-6.0, 6.0)),
            float(rng.uniform(0.4, 2.0)),
        )
        for _ in range(rng.integers(0, 4))
    )
    return Colour(float(low_hz), float(high_hz), float(strength * rng.uniform(-2.0, 2.0)), peaks)


def coloured(samples: Samples, colour: Colour) -> Samples:
    """The sound as the microphone passes it: zero phase, the same length, not limited to ±1."""
    n = len(samples)
    if not n:
        return samples
    padded = n + LISTENING_RATE_HZ // 20
    spectrum = np.fft.rfft(samples.astype(np.float64), padded)
    frequency_hz = np.asarray(np.fft.rfftfreq(padded, 1.0 / LISTENING_RATE_HZ), dtype=np.float64)
    passed = np.fft.irfft(spectrum * colour.gain(frequency_hz), padded)
    return np.asarray(passed[:n], dtype=np.float32)


def clipped(samples: Samples, over_db: float) -> Samples:
    """The sound as an input that is turned up ``over_db`` too far passes it, peak at ±1.

    Turned up first so that its peak lies that much above full scale, then cut off there.
    """
    highest = float(np.abs(samples).max()) if len(samples) else 0.0
    if highest == 0.0:
        return samples
    gain = 10.0 ** (over_db / 20.0) / highest
    return np.asarray(np.clip(samples * np.float32(gain), -1.0, 1.0), dtype=np.float32)


def at_level(samples: Samples, active_dbfs: float) -> Samples:
    """Speech at an active level; not limited to ±1. Silence stays silence."""
    now_dbfs = active_level_dbfs(samples, LISTENING_RATE_HZ)
    if now_dbfs <= _SILENT_DBFS:
        return samples
    return samples * np.float32(10.0 ** ((active_dbfs - now_dbfs) / 20.0))


def padded(samples: Samples, before_s: float, after_s: float) -> Samples:
    """The clip with digital silence around it, to be filled with noise."""
    around = (round(before_s * LISTENING_RATE_HZ), round(after_s * LISTENING_RATE_HZ))
    return np.pad(samples, around)


def noise_for(noise: Samples, n: int, rng: np.random.Generator) -> Samples:
    """``n`` samples of a noise from a random place; a noise that is too short goes round."""
    if not len(noise):
        raise ValueError("no noise to take from")
    start = int(rng.integers(0, len(noise)))
    return noise[(np.arange(n) + start) % len(noise)]


def mixed(speech: Samples, noise: Samples, snr_db: float, rng: np.random.Generator) -> Samples:
    """Speech (silence around it included) in noise from a random place.

    ``snr_db``: active level of the speech over the RMS of the very piece of noise that is
    used. The speech keeps its level, and the sum is not limited to ±1: that is the
    microphone's doing (:func:`recorded`). Raises ``ValueError`` for silent speech or noise.
    """
    speech_dbfs = active_level_dbfs(speech, LISTENING_RATE_HZ)
    piece = noise_for(noise, len(speech), rng)
    noise_dbfs = rms_dbfs(piece)
    if speech_dbfs <= _SILENT_DBFS or noise_dbfs <= _SILENT_DBFS:
        raise ValueError("silence has no ratio to anything")
    gain = 10.0 ** ((speech_dbfs - snr_db - noise_dbfs) / 20.0)
    return (speech + np.float32(gain) * piece).astype(np.float32)


def recorded(samples: Samples, level_dbfs: float | None = None) -> Samples:
    """What a 16-bit input makes of it: at an RMS where one is given, limited, in whole steps."""
    wave = samples.astype(np.float64)
    if level_dbfs is not None and (now_dbfs := rms_dbfs(samples)) > _SILENT_DBFS:
        wave = wave * 10.0 ** ((level_dbfs - now_dbfs) / 20.0)
    return (np.clip(np.round(wave * 32_768.0), -32_768, 32_767) / 32_768.0).astype(np.float32)
