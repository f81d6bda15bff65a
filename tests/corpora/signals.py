"""Signals with known properties, and what is measured of a voice without the package."""

from __future__ import annotations

import numpy as np

from tablevoice.model import LISTENING_RATE_HZ, Samples


def buzz(f0_hz: float, seconds: float, formants_hz: tuple[float, ...] = ()) -> Samples:
    """A pulse train through resonances of 80 Hz bandwidth: a vowel as textbooks make it."""
    n = round(seconds * LISTENING_RATE_HZ)
    wave = np.zeros(n)
    wave[np.round(np.arange(0.0, n, LISTENING_RATE_HZ / f0_hz)).astype(int) % n] = 1.0
    for formant_hz in formants_hz:
        radius = np.exp(-np.pi * 80.0 / LISTENING_RATE_HZ)
        first = 2.0 * radius * np.cos(2.0 * np.pi * formant_hz / LISTENING_RATE_HZ)
        made = np.zeros(n)
        for index in range(n):
            made[index] = (
                wave[index] + first * made[index - 1] - radius * radius * made[index - 2]
                if index >= 2
                else wave[index]
            )
        wave = made
    return np.asarray(0.3 * wave / np.abs(wave).max(), dtype=np.float32)


def pitch_hz(samples: Samples) -> float:
    """Fundamental of the middle half, by autocorrelation between 60 and 500 Hz."""
    middle = samples[len(samples) // 4 : 3 * len(samples) // 4].astype(np.float64)
    spectrum = np.fft.rfft(middle, 2 * len(middle))
    likeness = np.fft.irfft(np.abs(spectrum) ** 2)[: len(middle)]
    low, high = LISTENING_RATE_HZ // 500, LISTENING_RATE_HZ // 60
    return LISTENING_RATE_HZ / (low + int(np.argmax(likeness[low:high])))


def strongest_band_hz(samples: Samples, low_hz: float, high_hz: float) -> float:
    """Where the spectrum, smoothed over 300 Hz, is highest between two frequencies."""
    power = np.abs(np.fft.rfft(samples.astype(np.float64))) ** 2
    at_hz = np.fft.rfftfreq(len(samples), 1.0 / LISTENING_RATE_HZ)
    width = max(1, round(300.0 / (at_hz[1] - at_hz[0])))
    smooth = np.convolve(power, np.hanning(width), "same")
    within = (at_hz >= low_hz) & (at_hz <= high_hz)
    return float(at_hz[within][int(np.argmax(smooth[within]))])
