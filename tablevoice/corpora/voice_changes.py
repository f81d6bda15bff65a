"""Makes another voice of a clip: tempo, pitch, length of the vocal tract, vocal effort.

Each is changed without the others: tempo by overlapping pieces that fit (WSOLA), pitch by
resampling with the tempo put back, the tract by moving the spectral envelope and leaving
the harmonics. Pure; works best within a third up or down. Called by the studio.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import soxr
from numpy.typing import NDArray

from tablevoice.model import LISTENING_RATE_HZ, Samples

_Wave: TypeAlias = NDArray[np.float64]

# WSOLA (Verhelst and Roelands, 1993): pieces of two to three pitch periods of a low voice
_PIECE = round(0.030 * LISTENING_RATE_HZ)
_HOP = _PIECE // 2
_SEARCH = round(0.008 * LISTENING_RATE_HZ)

_FRAME = 512
_FRAME_HOP = 128
_SHORTEST_PERIOD, _LONGEST_PERIOD = 36, 200
"""Samples of one pitch period: 80 to 440 Hz."""
_ENVELOPE_SHARE = 0.6
"""Cepstral coefficients kept, as a share of the pitch period: more would be harmonics."""

_EFFORT_FROM_HZ = 500.0
_LOWEST_RATIO, _HIGHEST_RATIO = 0.4, 2.5


def changed(
    samples: Samples,
    *,
    tempo: float = 1.0,
    pitch_semitones: float = 0.0,
    tract: float = 1.0,
    effort_db_per_octave: float = 0.0,
) -> Samples:
    """The clip as another person, or the same in another mood, would have said it.

    ``samples``: 16 kHz, shape ``(n,)``; the result has about ``n / tempo``. ``tract`` is the
    length of the vocal tract beside the speaker's own: 1.1 moves the formants down by a
    tenth. ``effort_db_per_octave`` tilts the spectrum above 500 Hz; raised voices have up
    to a few dB more (from memory of measurements of speech in noise). Raises ``ValueError``
    for a ratio outside 0.4 to 2.5.
    """
    pitch = 2.0 ** (pitch_semitones / 12.0)
    for name, ratio in (("tempo", tempo), ("pitch", pitch), ("tract", tract)):
        if not _LOWEST_RATIO <= ratio <= _HIGHEST_RATIO:
            raise ValueError(f"{name} changes by {ratio:.2f}, outside 0.4 to 2.5")
    wave = samples.astype(np.float64)
    if len(wave) < _FRAME:
        return samples
    if pitch != 1.0:
        wave = soxr.resample(wave, LISTENING_RATE_HZ * pitch, LISTENING_RATE_HZ)
    if tempo != pitch:
        wave = stretched(wave, pitch / tempo)
    formants = 1.0 / (tract * pitch)  # the resampling moved them by the pitch
    if formants != 1.0 or effort_db_per_octave != 0.0:
        wave = _reshaped(wave, formants, effort_db_per_octave)
    return wave.astype(np.float32)


def stretched(wave: _Wave, ratio: float) -> _Wave:
    """``ratio`` times as long at the same pitch, by waveform-similarity overlap-add."""
    if ratio == 1.0 or len(wave) <= _PIECE + _SEARCH:
        return wave
    length = round(len(wave) * ratio)
    window = np.hanning(_PIECE + 1)[:-1]
    source = np.pad(wave, (_SEARCH, _PIECE + _HOP + 2 * _SEARCH))
    made = np.zeros(length + 2 * _PIECE)
    at = _SEARCH
    for start in range(0, length + _HOP, _HOP):
        made[start : start + _PIECE] += window * source[at : at + _PIECE]
        # What would have come next, and the piece near the wanted place that is most like it.
        follows = source[at + _HOP : at + _HOP + _PIECE]
        wanted = min(len(source) - _PIECE - 2 * _SEARCH, round((start + _HOP) / ratio))
        near = source[wanted : wanted + _PIECE + 2 * _SEARCH]
        if len(follows) < _PIECE or len(near) < _PIECE + 2 * _SEARCH:
            break
        likeness = np.correlate(near, follows, "valid")
        energy = np.cumsum(np.concatenate(([0.0], near * near)))
        energy = energy[_PIECE:] - energy[:-_PIECE]
        at = wanted + int(np.argmax(likeness / np.sqrt(energy + 1e-9)))
    # The first half piece has no piece before it to add up to one with.
    made[:_HOP] += (1.0 - window[:_HOP]) * source[_SEARCH : _SEARCH + _HOP]
    return made[:length]


def _reshaped(wave: _Wave, formants: float, effort_db_per_octave: float) -> _Wave:
    """The wave with its spectral envelope moved by the factor ``formants``, and tilted."""
    window = np.sqrt(np.hanning(_FRAME + 1)[:-1])
    padded = np.pad(wave, (_FRAME, 2 * _FRAME))
    count = (len(padded) - _FRAME) // _FRAME_HOP + 1
    index = np.arange(_FRAME) + _FRAME_HOP * np.arange(count)[:, None]
    spectra = np.fft.rfft(padded[index] * window, axis=1)
    magnitude = np.log(np.abs(spectra) + 1e-6)
    cepstrum = np.fft.irfft(magnitude, axis=1)
    kept = round(_ENVELOPE_SHARE * _period(cepstrum, magnitude))
    cepstrum[:, kept : _FRAME - kept + 1] = 0.0
    envelope = np.fft.rfft(cepstrum, axis=1).real
    bins = np.arange(_FRAME // 2 + 1)
    comes_from = np.clip(bins / formants, 0, _FRAME // 2)
    low = np.minimum(comes_from.astype(int), _FRAME // 2 - 1)
    part = comes_from - low
    moved = envelope[:, low] * (1.0 - part) + envelope[:, low + 1] * part
    octaves = np.log2(np.maximum(bins * LISTENING_RATE_HZ / _FRAME / _EFFORT_FROM_HZ, 1.0))
    tilt = effort_db_per_octave * octaves * np.log(10.0) / 20.0
    spectra *= np.exp(np.clip(moved - envelope, -4.0, 4.0) + tilt)
    frames = np.fft.irfft(spectra, axis=1) * window
    made = np.zeros(len(padded))
    for number, frame in enumerate(frames):
        made[number * _FRAME_HOP : number * _FRAME_HOP + _FRAME] += frame
    made *= _FRAME_HOP / (_FRAME / 2)  # squared Hann windows at a quarter of a frame add up to 2
    return made[_FRAME : _FRAME + len(wave)]


def _period(cepstrum: _Wave, magnitude: _Wave) -> int:
    """The clip's usual pitch period in samples: the peak of the louder frames' mean cepstrum."""
    level = magnitude.mean(axis=1)
    louder = cepstrum[level >= np.quantile(level, 0.5)]
    mean = louder.mean(axis=0)[_SHORTEST_PERIOD:_LONGEST_PERIOD]
    return _SHORTEST_PERIOD + int(np.argmax(mean))
