"""What a sound has in each octave or one-third octave band, as spectrum levels.

Knows samples and band edges; neither calibration nor speech. A spectrum level is the power
of a band for each Hz of its width, in dB, which is what the speech intelligibility index
wants. Asked by :mod:`tablevoice.commands.intelligibility` and for pictures of a room.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from tablevoice.acoustics.intelligibility import Levels, Procedure
from tablevoice.acoustics.levels import SILENCE_DBFS, a_weighted_dbfs, a_weighting_db
from tablevoice.model import Clip

_BLOCK_S = 0.5
"""Spectra are averaged over blocks of this length: 2 Hz apart, so that the lowest third of an
octave in use (160 Hz, 37 Hz wide) holds 18 of them, and a long recording needs little memory."""

LEAST_OF_A_BAND = 0.5
"""Of a band that half the rate cuts through, so much has to be there to stand for the rest."""


def loud_moments(clip: Clip, share: float = 0.1) -> Clip:
    """The loudest blocks of a recording, put together: the ``share`` of it that is A-loudest.

    Blocks are half a second long, in the order in which they came; never less than one. Raises
    ``ValueError`` for an empty clip or a share that is none.
    """
    if not len(clip.samples) or not 0.0 < share <= 1.0:
        raise ValueError(f"no loud moments in {len(clip.samples)} samples, share {share}")
    size = max(2, round(_BLOCK_S * clip.rate_hz))
    count = max(1, len(clip.samples) // size)
    blocks = np.array_split(clip.samples[: max(size, count * size)], count)
    levels = np.array([a_weighted_dbfs(block, clip.rate_hz) for block in blocks])
    loudest = np.sort(np.argsort(-levels, kind="stable")[: max(1, round(share * count))])
    return Clip(np.concatenate([blocks[index] for index in loudest]), clip.rate_hz)


def spectrum_levels(clip: Clip, procedure: Procedure, *, of_the_room: bool = False) -> Levels:
    """The spectrum level of each band in dB relative to full scale, shape ``(bands,)``.

    Averaged over the whole clip, never below :data:`SILENCE_DBFS`. A voice has nothing above half
    its rate; a room does, so with ``of_the_room`` a band that half the rate cuts through is
    judged by the part that is there. Raises ``ValueError`` for an empty clip, and with
    ``of_the_room`` for a rate too low for the highest band.
    """
    if of_the_room:
        _refuse_low_rate(clip.rate_hz, procedure)
    power, frequency_hz = _power_spectrum(clip)
    return _by_band(power, frequency_hz, clip.rate_hz, procedure, of_the_room)


def level_and_spectrum(clip: Clip, procedure: Procedure) -> tuple[float, Levels]:
    """A-weighted level and spectrum levels of a voice's clip, as by one look at it.

    The level is that of :func:`tablevoice.acoustics.levels.a_weighted_dbfs`. Raises
    ``ValueError`` for an empty clip.
    """
    power, frequency_hz = _power_spectrum(clip)
    weights = 10.0 ** (a_weighting_db(np.maximum(frequency_hz, 1.0).tolist()) / 10.0)
    weighted = float(power @ weights)
    level_dbfs = max(SILENCE_DBFS, 10.0 * math.log10(max(weighted, 1e-30)))
    return level_dbfs, _by_band(power, frequency_hz, clip.rate_hz, procedure, False)


def _by_band(
    power: Levels, frequency_hz: Levels, rate_hz: int, procedure: Procedure, of_the_room: bool
) -> Levels:
    levels = np.empty(len(procedure.centres_hz))
    for band, (low_hz, high_hz) in enumerate(edges_hz(procedure)):
        # Each line of the spectrum stands for the stretch from one to the next.
        share = _overlap(frequency_hz, low_hz, high_hz)
        width_hz = high_hz - low_hz
        if of_the_room:
            there_hz = min(high_hz, rate_hz / 2) - low_hz
            width_hz = min(width_hz, there_hz)
        density = float(share @ power) / width_hz
        levels[band] = max(SILENCE_DBFS, 10.0 * math.log10(max(density, 1e-30)))
    return levels


def _refuse_low_rate(rate_hz: int, procedure: Procedure) -> None:
    low_hz, high_hz = edges_hz(procedure)[-1]
    needed_hz = math.ceil(2 * (low_hz + LEAST_OF_A_BAND * (high_hz - low_hz)))
    if rate_hz < needed_hz:
        raise ValueError(
            f"at {rate_hz} Hz nothing is known of the band at {procedure.centres_hz[-1]:g} Hz,"
            f" which needs {needed_hz} Hz"
        )


def edges_hz(procedure: Procedure) -> list[tuple[float, float]]:
    """Lower and upper edge of each band, exact (IEC 61260-1, base ten), not nominal."""
    thirds = 1 if procedure.spreads else 3
    # The nominal 315 Hz, 630 Hz … are rounded: the exact ones are tenths of a decade.
    exact = 10.0 ** (np.round(10.0 * np.log10(procedure.centres_hz)) / 10.0)
    half = 10.0 ** (thirds / 20.0)
    return [(float(centre / half), float(centre * half)) for centre in exact]


def band_levels(spectrum_db: Levels, procedure: Procedure) -> Levels:
    """Levels of whole bands from spectrum levels."""
    return spectrum_db + procedure.bandwidth_db


def from_band_levels(bands_db: ArrayLike, procedure: Procedure) -> Levels:
    """Spectrum levels from levels of whole bands, as a sound level meter gives them."""
    return np.asarray(bands_db, dtype=np.float64) - procedure.bandwidth_db


def a_weighted_sum_db(bands_db: Mapping[float, float]) -> float:
    """The A-weighted level of bands, given as centre in Hz to level in dB.

    Raises ``ValueError`` where there are none.
    """
    if not bands_db:
        raise ValueError("no bands to sum up")
    weighted = np.array(list(bands_db.values())) + a_weighting_db(list(bands_db))
    return sum_db(weighted)


def sum_db(levels_db: ArrayLike) -> float:
    """Levels of sounds that have nothing to do with each other, together."""
    return float(10.0 * np.log10(np.sum(10.0 ** (np.asarray(levels_db) / 10.0))))


def mean_db(levels_db: ArrayLike, weights: ArrayLike) -> Levels:
    """The mean power of several spectra, shape ``(spectra, bands)``, each with its weight."""
    power = 10.0 ** (np.asarray(levels_db, dtype=np.float64) / 10.0)
    return np.asarray(10.0 * np.log10(np.average(power, axis=0, weights=np.asarray(weights))))


def _power_spectrum(clip: Clip) -> tuple[Levels, Levels]:
    """Mean square of the clip by frequency (it sums up to that of the clip), and frequencies."""
    n = len(clip.samples)
    if not n:
        raise ValueError("a clip without samples has no spectrum")
    size = max(2, round(_BLOCK_S * clip.rate_hz))
    power = np.zeros(size // 2 + 1)
    for first in range(0, n, size):
        block = clip.samples[first : first + size].astype(np.float64)
        power += np.abs(np.fft.rfft(block, size)) ** 2
    power[1 : (size + 1) // 2] *= 2.0  # the half that rfft leaves out
    frequency_hz: Levels = np.fft.rfftfreq(size, 1.0 / clip.rate_hz).astype(np.float64)
    return power / (size * n), frequency_hz


def _overlap(frequency_hz: Levels, low_hz: float, high_hz: float) -> Levels:
    """The share of each spectral line that falls between two frequencies."""
    step = float(frequency_hz[1] - frequency_hz[0])
    inside = np.minimum(frequency_hz + step / 2, high_hz) - np.maximum(
        frequency_hz - step / 2, low_hz
    )
    return np.clip(inside / step, 0.0, 1.0)
