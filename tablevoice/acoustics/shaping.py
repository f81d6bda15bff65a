"""The pieces that noises are put together from: bands, levels and moments in time.

Pure; every random number comes from the stream that is passed in. Called by the makers
of noises here and in :mod:`tablevoice.corpora.noises`.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Wave: TypeAlias = NDArray[np.float64]
"""Mono, shape ``(n,)``, not limited to ±1 while a noise is being made."""


def moments(n: int, rate_hz: int, random: np.random.RandomState, *, every_s: float) -> list[int]:
    """Start samples of a Poisson process; at least one, early, so that short clips have it too."""
    at_s = random.uniform(0.0, min(every_s, 0.5 * n / rate_hz))
    starts = []
    while at_s * rate_hz < n - 1:
        starts.append(int(at_s * rate_hz))
        at_s += random.exponential(every_s)
    return starts


def band_noise(
    n: int,
    rate_hz: int,
    random: np.random.RandomState,
    low_hz: float,
    high_hz: float,
    *,
    slope: float = 0.0,
) -> Wave:
    """Noise between two frequencies; its amplitude falls with frequency to the ``-slope / 2``."""
    return filtered(random.standard_normal(n), rate_hz, low_hz, high_hz, slope=slope)


def filtered(
    wave: Wave, rate_hz: int, low_hz: float, high_hz: float, *, slope: float = 0.0
) -> Wave:
    """What is left of ``wave`` between two frequencies; ``slope`` as in :func:`band_noise`."""
    spectrum = np.fft.rfft(wave)
    frequency_hz = np.maximum(np.fft.rfftfreq(len(wave), 1.0 / rate_hz), 1e-6)
    # fourth-order edges, as a room or a housing would have them, not a cliff that rings
    gain = 1.0 / np.sqrt(
        (1.0 + (low_hz / frequency_hz) ** 8) * (1.0 + (frequency_hz / high_hz) ** 8)
    )
    return np.asarray(
        np.fft.irfft(spectrum * gain * frequency_hz ** (-slope / 2.0), len(wave)),
        dtype=np.float64,
    )


def unit_rms(wave: Wave) -> Wave:
    """``wave`` at an RMS of 1; silence stays silence."""
    rms = float(np.sqrt(np.mean(wave * wave)))
    return wave / rms if rms > 0.0 else wave
