"""The speech intelligibility index (SII): how much of the speech a listener can make use of.

The procedures of ANSI/ASA S3.5-1997 (R2017), clause 4, for octave bands and for one-third
octave bands, for a listener in a room (clause 5.1: levels at the place of the listener's
head). Knows numbers only: spectrum levels in, an index out. What the index leaves out: how
fast somebody speaks, echoes, and whether the words are known. ``commands/intelligibility.py``
asks it about the voices of a cell.

There is a package of one-third octave bands alone, ``speech-intelligibility-index``. It needs
JAX, some 300 MB for a sum over 18 bands, and has no octave procedure, which is what a sound
level meter gives; so the tests hold this module against it and a table does without.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Levels: TypeAlias = NDArray[np.float64]
"""One level in dB for each band of a procedure, shape ``(bands,)``."""

NO_NOISE_DB = -50.0
"""The spectrum level that stands for no noise (S3.5, note in 4.2)."""

SELF_MASKING_DB = 24.0
"""Speech masks itself this far below its own level (S3.5, equation 5)."""

AUDIBLE_RANGE_DB = 30.0
"""Speech is taken to vary over so many dB, 15 of them above its mean (S3.5, equation 12)."""

DISTORTION_FROM_DB, DISTORTION_OVER_DB = 10.0, 160.0
"""Above normal effort by the first, speech loses with level at this rate (S3.5, equation 11)."""

POOR_BELOW, GOOD_FROM = 0.45, 0.75
"""S3.5-1997, annex A: a good communication system has more than 0.75, a poor one less than
0.45; ISO 9921:2003 has the same two borders (both from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class Procedure:
    """The bands of one of the standard's procedures and its table of them.

    All arrays have the shape ``(bands,)``: ``centres_hz`` nominal, ``bandwidth_db`` as
    10 log10 of Hz, ``importance`` (sums to 1), ``normal_speech_db`` and
    ``internal_noise_db`` as spectrum levels (dB for each Hz). ``spreads``: noise masks the
    bands above its own as well.
    """

    name: str
    centres_hz: Levels
    bandwidth_db: Levels
    importance: Levels
    normal_speech_db: Levels
    internal_noise_db: Levels
    spreads: bool


def _table(*values: float) -> Levels:
    table = np.array(values)
    table.flags.writeable = False
    return table


THIRD_OCTAVES = Procedure(
    # S3.5-1997, table 3 (from memory, held against the package named above)
    name="one-third octave bands",
    centres_hz=_table(
        160, 200, 250, 315, 400, 500, 630, 800, 1000,
        1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000,
    ),
    bandwidth_db=_table(*np.arange(15.65, 33.0, 1.0)),
    importance=_table(
        0.0083, 0.0095, 0.0150, 0.0289, 0.0440, 0.0578, 0.0653, 0.0711, 0.0818,
        0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771, 0.0527, 0.0364, 0.0185,
    ),
    normal_speech_db=_table(
        32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01,
        23.00, 20.15, 17.32, 13.18, 11.55, 9.33, 5.31, 2.59, 1.13,
    ),
    internal_noise_db=_table(
        0.6, -1.7, -3.9, -6.1, -8.2, -9.7, -10.8, -11.9, -12.5,
        -13.5, -15.4, -17.7, -21.2, -24.2, -25.9, -23.6, -15.8, -7.1,
    ),
    spreads=True,
)  # fmt: skip

OCTAVES = Procedure(
    # S3.5-1997, table 4 (from memory; held against the standard's example C.1)
    name="octave bands",
    centres_hz=_table(250, 500, 1000, 2000, 4000, 8000),
    bandwidth_db=_table(22.48, 25.48, 28.48, 31.48, 34.48, 37.48),
    importance=_table(0.0617, 0.1671, 0.2373, 0.2648, 0.2142, 0.0549),
    normal_speech_db=_table(34.75, 34.27, 25.01, 17.32, 9.33, 1.13),
    internal_noise_db=_table(-3.9, -9.7, -12.5, -17.7, -25.9, -7.1),
    spreads=False,
)


@dataclass(frozen=True, slots=True, eq=False)
class Understood:
    """``index`` (0 to 1), and by band how much of the speech is audible and what drowns it.

    ``audibility`` (0 to 1) and ``disturbance_db`` (the louder of noise as it masks and of
    the threshold of hearing, as a spectrum level) have the shape ``(bands,)``.
    """

    index: float
    audibility: Levels
    disturbance_db: Levels


def understood(
    speech_db: ArrayLike,
    noise_db: ArrayLike | None = None,
    procedure: Procedure = THIRD_OCTAVES,
    *,
    hearing_threshold_db: ArrayLike = 0.0,
    importance: ArrayLike | None = None,
) -> Understood:
    """The index of speech in noise, both as spectrum levels in dB SPL at the listener's place.

    ``noise_db`` ``None`` is no noise at all; ``hearing_threshold_db`` is the listener's
    hearing loss (dB HL), 0 the normal ear. ``importance`` takes the place of the table's, as
    the standard's annex B has it for other texts. Each is one number for all bands or has
    the shape ``(bands,)``. Raises ``ValueError`` for any other shape and for what is no
    finite number.
    """
    speech = _by_band(speech_db, procedure, "speech")
    noise = _by_band(NO_NOISE_DB if noise_db is None else noise_db, procedure, "noise")
    loss = _by_band(hearing_threshold_db, procedure, "hearing threshold")
    weights = _by_band(
        procedure.importance if importance is None else importance, procedure, "importance"
    )
    masking = _masking(speech, noise, procedure) if procedure.spreads else noise
    disturbance = np.maximum(masking, procedure.internal_noise_db + loss)
    too_loud = (speech - procedure.normal_speech_db - DISTORTION_FROM_DB) / DISTORTION_OVER_DB
    undistorted = np.clip(1.0 - too_loud, 0.0, 1.0)
    above = (speech - disturbance + AUDIBLE_RANGE_DB / 2) / AUDIBLE_RANGE_DB
    audibility = undistorted * np.clip(above, 0.0, 1.0)
    return Understood(float(weights @ audibility), audibility, disturbance)


def _masking(speech: Levels, noise: Levels, procedure: Procedure) -> Levels:
    """Equivalent masking spectrum level: each band is also masked by those below (4.3.2)."""
    masker = np.maximum(noise, speech - SELF_MASKING_DB)
    centres = procedure.centres_hz
    # Equation 7: the slope in dB an octave, flatter the louder the masker.
    slope = -80.0 + 0.6 * (masker + 10.0 * np.log10(centres) - 6.353)
    masking = np.empty_like(noise)
    masking[0] = masker[0]
    for band in range(1, len(noise)):
        octaves = 3.32 * np.log10(0.89 * centres[band] / centres[:band])
        spread = 10.0 ** ((masker[:band] + slope[:band] * octaves) / 10.0)
        masking[band] = 10.0 * np.log10(10.0 ** (noise[band] / 10.0) + spread.sum())
    return masking


def _by_band(given: ArrayLike, procedure: Procedure, what: str) -> Levels:
    levels = np.asarray(given, dtype=np.float64)
    bands = len(procedure.centres_hz)
    if levels.shape not in ((), (bands,)):
        raise ValueError(f"{what} has the shape {levels.shape}, {procedure.name} are {bands}")
    if not np.isfinite(levels).all():
        raise ValueError(f"{what} has levels that are no finite numbers")
    return np.broadcast_to(levels, (bands,))


def raise_needed_db(
    speech_db: Levels,
    noise_db: Levels,
    procedure: Procedure,
    *,
    most_db: float,
    wanted: float = GOOD_FROM,
    step_db: float = 0.5,
) -> float | None:
    """The least that speech has to be louder for the index ``wanted``; 0 where it has it.

    ``None`` where no raise up to ``most_db`` brings it there: the index has a top, past which
    louder speech only distorts.
    """
    for gain_db in np.arange(0.0, max(0.0, most_db) + 1e-9, step_db):
        if understood(speech_db + gain_db, noise_db, procedure).index >= wanted:
            return float(gain_db)
    return None
