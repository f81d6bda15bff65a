"""Cuts audio into 10 ms frames and measures how loud each is in the speech band.

Knows samples only. The endpointer and the gate measure with it, so that the hum of mains
and machines below 200 Hz neither opens an utterance nor hides one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tablevoice.model import LISTENING_RATE_HZ, Samples

FRAME_SAMPLES = 160
"""10 ms at 16 kHz: the unit of every decision of the listening room."""

FRAME_S = FRAME_SAMPLES / LISTENING_RATE_HZ

SILENCE_DBFS = -120.0
"""Stands for "nothing at all" wherever a level is given."""

_WINDOW = np.hanning(2 * FRAME_SAMPLES + 1)[:-1]
# Mean square of a sine of amplitude 1 must come out as 0.5, whatever the window.
_SCALE = 2.0 / (np.sum(np.square(_WINDOW)) * 2 * FRAME_SAMPLES)
_BINS = slice(4, 81)  # 200 Hz to 4 kHz in steps of 50 Hz


class BandMeter:
    """Mean-square level of successive frames between 200 Hz and 4 kHz."""

    def __init__(self) -> None:
        self._previous: NDArray[np.float64] = np.zeros(FRAME_SAMPLES)

    def measure(self, block: Samples) -> NDArray[np.float64]:
        """Power of each frame, shape ``(n / 160,)``; ``block`` must be whole frames.

        Each is taken over 20 ms: the frame and the one before it.
        """
        frames = block.astype(np.float64).reshape(-1, FRAME_SAMPLES)
        if not len(frames):
            return np.zeros(0)
        before = np.vstack((self._previous, frames[:-1]))
        self._previous = frames[-1]
        spectrum = np.fft.rfft(np.hstack((before, frames)) * _WINDOW, axis=1)
        power: NDArray[np.float64] = np.square(np.abs(spectrum[:, _BINS])).sum(axis=1) * _SCALE
        return power


def clean(block: Samples) -> Samples:
    """Within ±1 and without NaN, as ``float32``: a broken driver may send anything."""
    return np.clip(
        np.nan_to_num(np.asarray(block, dtype=np.float32), nan=0.0, posinf=1.0, neginf=-1.0),
        -1.0,
        1.0,
    )


def to_pcm(samples: Samples) -> bytes:
    """16-bit little-endian samples, as recognisers want them."""
    return np.round(clean(samples) * 32767.0).astype("<i2").tobytes()


def dbfs(power: float) -> float:
    """Mean-square power as a level; never below :data:`SILENCE_DBFS`."""
    return max(SILENCE_DBFS, 10.0 * float(np.log10(max(power, 1e-12))))


def frames_in(seconds: float) -> int:
    """How many frames make up a time, at least one."""
    return max(1, round(seconds / FRAME_S))
