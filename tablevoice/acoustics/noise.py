"""Makes the noise of a small workshop from a seed: pump, valves, air, fan, servos.

Knows how each of these sounds, roughly; does not know a real room. Called by the
demo, the rehearsal and by measurements that need the same noise every time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeAlias

import numpy as np

from tablevoice.acoustics.shaping import Wave, band_noise, filtered, moments, unit_rms
from tablevoice.model import Clip

_Maker: TypeAlias = Callable[[int, int, np.random.RandomState], Wave]

SHOP_MIX_DB: Mapping[str, float] = MappingProxyType(
    {"pump": 0.0, "fan": -4.0, "air": -7.0, "valves": -9.0, "servo": -13.0}
)
"""How loud each part is beside the pump, as RMS over the whole clip; babble is off."""

DEFAULT_LEVEL_DBFS = -45.0


def shop_noise(
    seconds: float,
    rate_hz: int,
    seed: int,
    *,
    level_dbfs: float = DEFAULT_LEVEL_DBFS,
    mix_db: Mapping[str, float] = SHOP_MIX_DB,
) -> Clip:
    """Noise of ``seconds``; the same arguments give the same samples.

    ``level_dbfs`` is the RMS of the whole (turned down if a burst would leave ±1).
    ``mix_db`` names the parts (:data:`PARTS`) and their levels beside each other.
    Raises ``ValueError`` for an unknown part, no duration or a rate below 8 kHz.
    """
    n = round(seconds * rate_hz)
    if n <= 0 or rate_hz < 8_000:
        raise ValueError(f"cannot make {seconds} s of noise at {rate_hz} Hz")
    unknown = sorted(set(mix_db) - set(PARTS))
    if unknown:
        raise ValueError(f"no such noise: {', '.join(unknown)}; there are {', '.join(PARTS)}")
    total = np.zeros(n)
    for number, (name, make) in enumerate(PARTS.items()):
        if name in mix_db:
            # RandomState: its stream is frozen for good (NumPy's NEP 19), Generator's is not.
            # A stream for each part: leaving one out leaves the others as they were.
            random = np.random.RandomState([seed & 0xFFFF_FFFF, number])
            total += 10.0 ** (mix_db[name] / 20.0) * unit_rms(make(n, rate_hz, random))
    total = unit_rms(total) * 10.0 ** (level_dbfs / 20.0)
    highest = float(np.abs(total).max())
    return Clip((total / max(1.0, highest)).astype(np.float32), rate_hz)


def _pump(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """A diaphragm vacuum pump: harmonics of its stroke, wandering a little, and its hiss."""
    wander = band_noise(n, rate_hz, random, 0.1, 1.5)
    stroke_hz = 47.0 * (1.0 + 0.004 * unit_rms(wander))
    turn = 2.0 * np.pi * np.cumsum(stroke_hz) / rate_hz
    hum = np.zeros(n)
    for harmonic in range(1, 25):
        if harmonic * 50.0 > 0.45 * rate_hz:
            break
        strength = harmonic**-0.9 * (1.5 if harmonic % 2 == 0 else 1.0) * random.uniform(0.7, 1.3)
        hum += strength * np.sin(harmonic * turn + random.uniform(0.0, 2.0 * np.pi))
    hiss = band_noise(n, rate_hz, random, 150.0, 2_500.0) * (1.0 + 0.4 * np.sin(turn))
    return unit_rms(hum) + 0.6 * unit_rms(hiss)


def _fan(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """Air falling 1/f towards high frequencies, with the tone of the blades."""
    blades = np.sin(2.0 * np.pi * 236.0 * np.arange(n) / rate_hz + random.uniform(0.0, 6.28))
    return unit_rms(band_noise(n, rate_hz, random, 60.0, 7_000.0, slope=1.6)) + 0.15 * blades


def _air(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """Bursts of compressed air, a quarter to most of a second, every few seconds."""
    hiss = unit_rms(band_noise(n, rate_hz, random, 1_200.0, 0.49 * rate_hz))
    envelope = np.zeros(n)
    for start in moments(n, rate_hz, random, every_s=3.0):
        length = min(n - start, round(random.uniform(0.25, 0.8) * rate_hz))
        time_s = np.arange(length) / rate_hz
        rise = 1.0 - np.exp(-time_s / 0.015)
        left_s = time_s[::-1]
        burst = random.uniform(0.5, 1.0) * rise * np.minimum(1.0, left_s / 0.06)
        envelope[start : start + length] = np.maximum(envelope[start : start + length], burst)
    return hiss * envelope


def _valves(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """Solenoid valves: a tick with a short ring, several a second at times."""
    clicks = np.zeros(n)
    length = round(0.03 * rate_hz)
    time_s = np.arange(length) / rate_hz
    for start in moments(n, rate_hz, random, every_s=0.7):
        ring_hz = random.uniform(900.0, 3_200.0)
        tick = np.exp(-time_s / 0.004) * np.sin(2.0 * np.pi * ring_hz * time_s)
        tick += 0.5 * np.exp(-time_s / 0.0012) * random.standard_normal(length)
        end = min(n, start + length)
        clicks[start:end] += random.uniform(0.3, 1.0) * tick[: end - start]
    return clicks


def _servo(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """Geared axes that speed up and brake: a gliding whine with two overtones."""
    whine = np.zeros(n)
    for start in moments(n, rate_hz, random, every_s=2.2):
        length = min(n - start, round(random.uniform(0.4, 1.4) * rate_hz))
        bell = np.sin(np.pi * np.arange(length) / max(1, length)) ** 2
        top_hz = min(random.uniform(700.0, 1_600.0), 0.14 * rate_hz)
        turn = 2.0 * np.pi * np.cumsum(180.0 + top_hz * bell) / rate_hz
        tone = np.sin(turn) + 0.5 * np.sin(2.0 * turn) + 0.25 * np.sin(3.0 * turn)
        whine[start : start + length] += np.sqrt(bell) * tone
    return whine


def _babble(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """A murmur of several people behind: buzz in vowel-like bands at the pace of syllables."""
    murmur = np.zeros(n)
    for _ in range(6):
        pitch_hz = random.uniform(95.0, 230.0)
        drift = unit_rms(band_noise(n, rate_hz, random, 0.3, 3.0))
        turn = np.cumsum(pitch_hz * (1.0 + 0.06 * drift)) / rate_hz
        buzz = 2.0 * (turn % 1.0) - 1.0
        low_hz = random.uniform(300.0, 700.0)
        voiced = filtered(buzz, rate_hz, low_hz * 0.7, low_hz * 1.4)
        high_hz = random.uniform(1_100.0, 2_200.0)
        voiced += 0.5 * filtered(buzz, rate_hz, high_hz * 0.8, high_hz * 1.25)
        pace = unit_rms(band_noise(n, rate_hz, random, 1.5, 6.0))
        murmur += unit_rms(voiced) * np.maximum(0.0, pace)
    return murmur


PARTS: Mapping[str, _Maker] = MappingProxyType(
    {
        "pump": _pump,
        "fan": _fan,
        "air": _air,
        "valves": _valves,
        "servo": _servo,
        "babble": _babble,
    }
)
"""The parts a mix may name."""
