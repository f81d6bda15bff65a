"""How loud a sound is: peak, RMS, level of the active speech, A-weighted level; mixing by SNR.

All levels are relative to full scale: 0 dBFS is an RMS of 1.0, so a full-scale
sine has -3.01 dBFS. Knows numbers only: turning dBFS into dB(A) of a room needs a
calibrated microphone, which is somebody else's business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tablevoice.model import Clip, Samples

SILENCE_DBFS = -120.0
"""The lowest level reported: below 20 bits nothing is left, and logs stay finite."""

# ITU-T P.56, method B (from memory)
P56_TIME_CONSTANT_S = 0.03
P56_HANGOVER_S = 0.2
P56_MARGIN_DB = 15.9
_LADDER_DB = 60.0
_LADDER_STEP_DB = 1.0
_ENVELOPE_STEP_S = 0.001

# IEC 61672-1, pole frequencies of the A-weighting (from memory)
_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


@dataclass(frozen=True, slots=True)
class ActiveLevel:
    """Level of the part where somebody speaks, and the share (0 to 1) of time that it lasts."""

    level_dbfs: float
    activity: float


def peak(samples: Samples) -> float:
    """Largest magnitude; 0 for no samples."""
    return float(np.abs(samples).max()) if len(samples) else 0.0


def rms_dbfs(samples: Samples) -> float:
    """RMS level over all samples, never below :data:`SILENCE_DBFS`."""
    if not len(samples):
        return SILENCE_DBFS
    return _power_db(float(np.mean(np.square(samples, dtype=np.float64))))


def active_level(samples: Samples, rate_hz: int) -> ActiveLevel:
    """Active speech level in the manner of ITU-T P.56, method B (from memory).

    As there: a rectified, twice smoothed envelope (30 ms), a ladder of thresholds, a
    hangover of 200 ms, and the level at which the sound stands 15.9 dB above the
    threshold that counts as active. Otherwise than there: the envelope is averaged over
    1 ms before it is smoothed, the ladder hangs at the envelope's peak in steps of 1 dB
    (there: fixed, 6 dB), so that a gain changes the level by just that gain, and no
    200-5500 Hz filter is applied.
    """
    power = float(np.sum(np.square(samples, dtype=np.float64)))
    if power <= 0.0:
        return ActiveLevel(SILENCE_DBFS, 0.0)
    step = max(1, round(rate_hz * _ENVELOPE_STEP_S))
    envelope = _smoothed_envelope(samples, step, rate_hz)
    hangover = round(P56_HANGOVER_S * rate_hz / step)
    top_db = 20.0 * math.log10(max(float(envelope.max()), 1e-12))
    thresholds_db = top_db + np.arange(-_LADDER_DB, 0.0, _LADDER_STEP_DB)
    before: tuple[float, float, float] | None = None
    for threshold_db in thresholds_db:
        active = _held(envelope >= 10.0 ** (threshold_db / 20.0), hangover)
        share = float(np.count_nonzero(active)) / len(active)
        level_db = _power_db(power / (share * len(samples)))
        above_db = level_db - float(threshold_db)
        if above_db <= P56_MARGIN_DB:
            if before is None:
                return ActiveLevel(level_db, share)
            last_level, last_share, last_above = before
            part = (last_above - P56_MARGIN_DB) / (last_above - above_db)
            return ActiveLevel(
                last_level + part * (level_db - last_level),
                last_share + part * (share - last_share),
            )
        before = (level_db, share, above_db)
    # a lone click: even its peak does not fall within the margin
    last_level, last_share, _ = before or (_power_db(power / len(samples)), 1.0, 0.0)
    return ActiveLevel(last_level, last_share)


def active_level_dbfs(samples: Samples, rate_hz: int) -> float:
    """Level of the active part alone; see :func:`active_level`."""
    return active_level(samples, rate_hz).level_dbfs


def mix_at_snr(speech: Clip, noise: Clip, snr_db: float, *, noise_from_s: float = 0.0) -> Clip:
    """Speech in noise: active speech level over RMS of the noise is ``snr_db``.

    The noise is taken from ``noise_from_s`` on and repeated when it is too short. The
    speech keeps its level unless the sum would leave ±1; then both are turned down
    alike. Raises ``ValueError`` for two rates, no noise or silent noise.
    """
    if speech.rate_hz != noise.rate_hz:
        raise ValueError(f"speech has {speech.rate_hz} Hz, noise {noise.rate_hz} Hz")
    if not len(noise.samples):
        raise ValueError("no noise to mix in")
    first = round(noise_from_s * noise.rate_hz)
    at = np.arange(first, first + len(speech.samples)) % len(noise.samples)
    under = noise.samples[at].astype(np.float64)
    noise_dbfs = rms_dbfs(noise.samples[at])
    if noise_dbfs <= SILENCE_DBFS:
        raise ValueError("the noise is silent, so no ratio to it exists")
    wanted_dbfs = active_level_dbfs(speech.samples, speech.rate_hz) - snr_db
    mixed = speech.samples + under * 10.0 ** ((wanted_dbfs - noise_dbfs) / 20.0)
    highest = float(np.abs(mixed).max()) if len(mixed) else 0.0
    if highest > 1.0:
        mixed /= highest
    return Clip(mixed.astype(np.float32), speech.rate_hz)


def with_gain(clip: Clip, gain_db: float) -> Clip:
    """The clip louder or softer by ``gain_db``, limited to ±1."""
    scaled = clip.samples * np.float32(10.0 ** (gain_db / 20.0))
    return Clip(np.clip(scaled, -1.0, 1.0).astype(np.float32), clip.rate_hz)


def a_weighting_db(frequency_hz: Sequence[float]) -> NDArray[np.float64]:
    """A-weighting at each frequency in dB, 0 at 1 kHz (IEC 61672-1, analytic form)."""
    return 20.0 * np.log10(np.maximum(_a_gain(np.asarray(frequency_hz, dtype=np.float64)), 1e-12))


def a_weighted(samples: Samples, rate_hz: int) -> Samples:
    """The sound as the A-weighting passes it: exact in magnitude up to half the rate, no delay.

    Filtered in the frequency domain with zero phase, so it suits levels of whole clips
    and not a live meter.
    """
    n = len(samples)
    if not n:
        return samples
    padded = 1 << (n + rate_hz // 10 - 1).bit_length()
    spectrum = np.fft.rfft(samples.astype(np.float64), padded)
    gain = _a_gain(np.asarray(np.fft.rfftfreq(padded, 1.0 / rate_hz), dtype=np.float64))
    weighted: Samples = np.fft.irfft(spectrum * gain, padded)[:n].astype(np.float32)
    return weighted


def a_weighted_dbfs(samples: Samples, rate_hz: int) -> float:
    """RMS level after A-weighting, relative to full scale."""
    return rms_dbfs(a_weighted(samples, rate_hz))


def _a_gain(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    def response(f: NDArray[np.float64]) -> NDArray[np.float64]:
        f1, f2, f3, f4 = (pole * pole for pole in _A_POLES_HZ)
        square = f * f
        return np.asarray(
            f4
            * square
            * square
            / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
        )

    return np.asarray(response(frequency_hz) / response(np.array(1000.0)))


def _power_db(mean_square: float) -> float:
    if mean_square <= 0.0:
        return SILENCE_DBFS
    return max(SILENCE_DBFS, 10.0 * math.log10(mean_square))


def _smoothed_envelope(samples: Samples, step: int, rate_hz: int) -> NDArray[np.float64]:
    whole = -(-len(samples) // step) * step
    rectified = np.zeros(whole, dtype=np.float64)
    rectified[: len(samples)] = np.abs(samples)
    keep = math.exp(-step / (rate_hz * P56_TIME_CONSTANT_S))
    envelope = np.empty(whole // step, dtype=np.float64)
    first = second = 0.0
    for index, value in enumerate(rectified.reshape(-1, step).mean(axis=1).tolist()):
        first = keep * first + (1.0 - keep) * value
        second = keep * second + (1.0 - keep) * first
        envelope[index] = second
    return envelope


def _held(active: NDArray[np.bool_], hangover: int) -> NDArray[np.bool_]:
    """Each active step keeps the ``hangover`` steps after it active too."""
    index = np.arange(len(active))
    last = np.maximum.accumulate(np.where(active, index, -hangover - 1))
    return np.asarray(index - last <= hangover)
