"""Synthetic speech for the tests: real espeak voices, cut and scaled, at 16 kHz."""

from __future__ import annotations

from functools import cache

import numpy as np
import soxr

from tablevoice.model import LISTENING_RATE_HZ, Samples, Voice
from tablevoice.speech.engines import Engine


@cache
def _engine() -> Engine:
    return Engine()


@cache
def spoken(text: str, voice: str = "en-us", rate_wpm: int = 155) -> Samples:
    """Speech without silence around it, RMS 0.08 (about -22 dBFS)."""
    clip = _engine().render(text, Voice(voice, voice=voice, rate_wpm=rate_wpm))
    samples = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
    loud = np.flatnonzero(np.abs(samples) > 0.02 * np.max(np.abs(samples)))
    cut = samples[loud[0] : loud[-1] + 1]
    return np.asarray(cut * 0.08 / np.std(cut), dtype=np.float32)


def silence(seconds: float) -> Samples:
    return np.zeros(round(seconds * LISTENING_RATE_HZ), dtype=np.float32)


def noise(length: int, rms: float, colour: str = "white", seed: int = 1) -> Samples:
    """``white``, ``pink`` or ``hum`` (50 Hz with harmonics, and a little hiss)."""
    rng = np.random.default_rng(seed)
    made = rng.normal(size=length)
    if colour == "pink":
        spectrum = np.fft.rfft(made)
        spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
        spectrum[0] = 0
        made = np.fft.irfft(spectrum, length)
    elif colour == "hum":
        t = np.arange(length) / LISTENING_RATE_HZ
        made = sum((np.sin(2 * np.pi * 50 * k * t) / k for k in range(1, 9)), 0.1 * made)
    return np.asarray(made * rms / np.std(made), dtype=np.float32)
