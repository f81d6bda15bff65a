"""Measures of a clip that the speech tests compare: pitch and the longest pause."""

from __future__ import annotations

import numpy as np

from tablevoice.model import Clip


def median_f0_hz(clip: Clip) -> float:
    """Median fundamental frequency by autocorrelation: 40 ms frames, 60 to 400 Hz, voiced only."""
    length, hop = round(0.04 * clip.rate_hz), round(0.01 * clip.rate_hz)
    shortest, longest = round(clip.rate_hz / 400), round(clip.rate_hz / 60)
    found = []
    for start in range(0, len(clip.samples) - length, hop):
        frame = clip.samples[start : start + length].astype(np.float64)
        frame = frame - frame.mean()
        energy = float(frame @ frame)
        if energy < 1e-3 * length:  # -30 dB: pauses and soft consonants
            continue
        likeness = np.correlate(frame, frame, "full")[length - 1 :] / energy
        lag = shortest + int(np.argmax(likeness[shortest:longest]))
        if likeness[lag] > 0.5:
            found.append(clip.rate_hz / lag)
    assert len(found) >= 10, "too little voiced speech to measure"
    return float(np.median(found))


def longest_pause_s(clip: Clip) -> float:
    """Longest stretch below -50 dBFS between two sounds."""
    loud = np.flatnonzero(np.abs(clip.samples) > 10 ** (-50 / 20))
    return float(np.max(np.diff(loud), initial=0)) / clip.rate_hz
