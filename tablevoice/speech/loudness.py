"""Brings lines to one loudness: ITU-R BS.1770 by ``pyloudnorm``, held under a true-peak ceiling.

Pure. A line is scaled as a whole, never limited or compressed; one whose peaks would pass the
ceiling stays as much quieter as it must. Called where a line goes into the store.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr

from tablevoice.model import Clip, Samples

BLOCK_S = 0.4
HOP_S = 0.1
"""Gating blocks of ITU-R BS.1770-4: 400 ms, overlapping by 75 %."""

OVERSAMPLING = 4
"""ITU-R BS.1770-4, Annex 2: at four times the rate the true peak is under-read by 0.7 dB at the
very most (a tone at half the rate), by 0.2 dB up to a quarter of it."""

DEFAULT_TARGET_LUFS = -21.0
"""espeak-ng's lines come at -22 to -16 LUFS with their peaks 15 to 21 dB above that (542 lines
sampled): at -21 some 95 of 100 reach it under the ceiling."""

DEFAULT_CEILING_DBTP = -1.0
"""EBU R 128: the highest permitted true peak in production (from memory)."""


@dataclass(frozen=True, slots=True)
class Loudness:
    """What every line is brought to: ``target_lufs``, its true peak at most ``ceiling_dbtp``."""

    target_lufs: float = DEFAULT_TARGET_LUFS
    ceiling_dbtp: float = DEFAULT_CEILING_DBTP

    def of_voice(self, gain_db: float) -> Loudness:
        """The same for a voice that is to be so much louder (or quieter) than the others."""
        return Loudness(self.target_lufs + gain_db, self.ceiling_dbtp)


def integrated_lufs(clip: Clip) -> float:
    """Gated loudness of a mono clip, as one channel; ``-inf`` for silence.

    A clip shorter than one gating block (400 ms) is one block, as long as it is: padded with
    silence a word of 200 ms would measure 3 dB too low and be played 3 dB too loud. In a longer
    one a block that the end cuts off does not count, as the recommendation says.
    """
    n, rate_hz = len(clip.samples), clip.rate_hz
    if not n:
        return -np.inf
    block, hop = round(BLOCK_S * rate_hz), round(HOP_S * rate_hz)
    import pyloudnorm  # SciPy comes with it: 60 MB that a table with its lines prepared can spare

    if n < block:
        # A quarter of a sample less, so that no rounding makes the block longer than the clip.
        meter = pyloudnorm.Meter(rate_hz, block_size=(n - 0.25) / rate_hz)
        samples = clip.samples
    else:
        meter = pyloudnorm.Meter(rate_hz, block_size=BLOCK_S)
        samples = clip.samples[: block + (n - block) // hop * hop]
    return float(meter.integrated_loudness(samples.astype(np.float64)))


def true_peak_dbtp(clip: Clip) -> float:
    """Highest level between the samples too, in dB over full scale; ``-inf`` for silence."""
    if not len(clip.samples):
        return -np.inf
    finer = soxr.resample(clip.samples, clip.rate_hz, OVERSAMPLING * clip.rate_hz, quality="VHQ")
    # The samples themselves too: a filter's ends may miss a peak at the clip's very edge.
    peak = max(_peak(finer), _peak(clip.samples))
    return float(20 * np.log10(peak)) if peak > 0 else -np.inf


def _peak(samples: Samples) -> float:
    return float(np.max(np.abs(samples), initial=0.0))


@dataclass(frozen=True, slots=True)
class Levelled:
    """A clip at its loudness, and how far it stays below it for its peaks."""

    clip: Clip
    short_db: float


def levelled(clip: Clip, wanted: Loudness) -> Levelled:
    """``clip`` scaled to the target, or as near as the ceiling lets it; silence stays silence."""
    loudness, peak_dbtp = integrated_lufs(clip), true_peak_dbtp(clip)
    if not np.isfinite(loudness) or not np.isfinite(peak_dbtp):
        return Levelled(clip, 0.0)
    lacking_db = wanted.target_lufs - loudness
    gain_db = min(lacking_db, wanted.ceiling_dbtp - peak_dbtp)
    samples = clip.samples * np.float32(10 ** (gain_db / 20))
    return Levelled(Clip(samples, clip.rate_hz), lacking_db - gain_db)
