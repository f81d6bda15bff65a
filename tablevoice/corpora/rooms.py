"""What a room does between a mouth and a microphone: impulse responses, made from a seed.

The direct sound and the early reflections come from the image-source method of
``pyroomacoustics``, the tail is noise that dies away as the reverberation time says. Knows
box-shaped rooms only, and no noise. Called by tuning and evaluation.
"""

from __future__ import annotations

import importlib
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from tablevoice.acoustics.shaping import Wave
from tablevoice.errors import EngineFailed
from tablevoice.model import LISTENING_RATE_HZ, Samples

SHORTEST_RT60_S, LONGEST_RT60_S = 0.2, 0.8
NEAREST_M, FARTHEST_M = 0.3, 3.0

_SPEED_OF_SOUND_M_S = 343.0
_MOST_IMAGES_ORDER = 12
"""Reflections one by one up to here (some 2,500 images, 6 ms to compute); then the tail."""

_MOST_ABSORPTION = 0.6
"""Deader walls leave no even field, and the time would not be as asked."""

_WALL_M = 0.3
"""Kept between walls and what stands in the room."""


@dataclass(frozen=True, slots=True, eq=False)
class RoomResponse:
    """An impulse response at 16 kHz, its direct sound first, at an amplitude of about 1.

    ``size_m``: length, width, height. ``rt60_s`` is what the walls were chosen for.
    """

    samples: Samples
    rt60_s: float
    distance_m: float
    size_m: tuple[float, float, float]


def room_response(
    seed: int, *, rt60_s: float | None = None, distance_m: float | None = None
) -> RoomResponse:
    """A room, a mouth and a microphone in it; the same for the same arguments.

    Left out, ``rt60_s`` is drawn from 0.2 to 0.8 s and ``distance_m`` from 0.3 to 3 m.
    Raises :class:`EngineFailed` where pyroomacoustics is not here and ``ValueError`` for
    values outside 0.1 to 1.5 s or 0.1 to 5 m.
    """
    pra = _package()
    random = np.random.RandomState(seed & 0xFFFF_FFFF)
    drawn_rt60_s = random.uniform(SHORTEST_RT60_S, LONGEST_RT60_S)
    drawn_m = math.exp(random.uniform(math.log(NEAREST_M), math.log(FARTHEST_M)))
    rt60_s = drawn_rt60_s if rt60_s is None else rt60_s
    distance_m = drawn_m if distance_m is None else distance_m
    if not 0.1 <= rt60_s <= 1.5 or not 0.1 <= distance_m <= 5.0:
        raise ValueError(f"no room with {rt60_s:g} s and {distance_m:g} m is made")
    size_m, absorption = _walls(random, rt60_s, distance_m)
    mouth, microphone = _places(random, size_m, distance_m)
    room = pra.ShoeBox(
        size_m,
        fs=LISTENING_RATE_HZ,
        materials=pra.Material(absorption),
        max_order=_MOST_IMAGES_ORDER,
    )
    room.add_source(mouth)
    room.add_microphone(microphone)
    room.compute_rir()
    early = np.asarray(room.rir[0][0], dtype=np.float64)
    direct = int(np.argmax(np.abs(early)))
    # At 1 m the amplitude is 1; the filter that puts it between samples needs some lead.
    early = early[max(0, direct - 16) :] * distance_m
    whole = _with_tail(early, random, rt60_s, min(size_m))
    return RoomResponse(whole.astype(np.float32), rt60_s, distance_m, size_m)


def reverberant(samples: Samples, response: RoomResponse, *, keep_tail: bool = True) -> Samples:
    """The clip as it arrives in that room, direct sound at its old level; not limited to ±1.

    With ``keep_tail`` longer by the response (silence after a word is where the tail goes).
    """
    n = len(samples) + len(response.samples) - 1
    fast = 1 << (n - 1).bit_length()
    product = np.fft.rfft(samples, fast) * np.fft.rfft(response.samples, fast)
    arrived = np.fft.irfft(product, fast)[: n if keep_tail else len(samples)]
    return np.asarray(arrived, dtype=np.float32)


def _package() -> Any:
    try:
        return importlib.import_module("pyroomacoustics")
    except ImportError as error:
        raise EngineFailed(
            f"pyroomacoustics is not here ({error}).",
            do="Get it with: pip install 'tablevoice[tune]'.",
        ) from error


def _walls(
    random: np.random.RandomState, rt60_s: float, distance_m: float
) -> tuple[tuple[float, float, float], float]:
    """A size in which the distance fits, and walls that absorb what the time asks for (Eyring)."""
    least_m = distance_m + 2.0 * _WALL_M + 0.2
    for _ in range(1_000):
        length, width, height = size_m = (
            max(least_m, random.uniform(3.0, 12.0)),
            random.uniform(2.5, 8.0),
            random.uniform(2.3, 4.5),
        )
        surface = 2.0 * (length * width + length * height + width * height)
        by_sabine = 24.0 * math.log(10.0) / _SPEED_OF_SOUND_M_S * length * width * height
        absorption = 1.0 - math.exp(-by_sabine / (surface * rt60_s))
        if absorption < _MOST_ABSORPTION:
            return size_m, absorption
    raise ValueError(f"no room of {distance_m:g} m has a reverberation time of {rt60_s:g} s")


def _places(
    random: np.random.RandomState, size_m: tuple[float, float, float], distance_m: float
) -> tuple[list[float], list[float]]:
    """Mouth and microphone that far apart, both away from the walls."""
    high = np.array(size_m) - _WALL_M
    while True:
        mouth = random.uniform(_WALL_M, high)
        mouth[2] = random.uniform(1.0, min(1.8, high[2]))
        around = random.uniform(0.0, 2.0 * math.pi)
        rise = random.uniform(-0.3, 0.3)
        flat = math.sqrt(1.0 - rise * rise)
        way = np.array([flat * math.cos(around), flat * math.sin(around), rise])
        microphone = mouth + distance_m * way
        if bool((microphone >= _WALL_M).all()) and bool((microphone <= high).all()):
            return mouth.tolist(), microphone.tolist()


def _with_tail(
    early: Wave,
    random: np.random.RandomState,
    rt60_s: float,
    smallest_m: float,
) -> Wave:
    """Early reflections faded over into noise that falls by 60 dB in ``rt60_s``."""
    n = round(1.1 * rt60_s * LISTENING_RATE_HZ)
    time_s = np.arange(n) / LISTENING_RATE_HZ
    tail = random.standard_normal(n) * 10.0 ** (-3.0 * time_s / rt60_s)
    whole = np.zeros(n)
    whole[: min(n, len(early))] = early[:n]
    # From here on image sources of higher order would be missing.
    complete_s = 0.8 * _MOST_IMAGES_ORDER * smallest_m / _SPEED_OF_SOUND_M_S
    over = round(complete_s * LISTENING_RATE_HZ)
    if over >= n:
        return whole
    fade = round(0.02 * LISTENING_RATE_HZ)
    near = slice(max(0, over - 3 * fade), over)
    level = math.sqrt(float(np.mean(whole[near] ** 2)) / float(np.mean(tail[near] ** 2)))
    rise = np.clip((np.arange(n) - over + fade) / fade, 0.0, 1.0)
    return np.asarray(whole * np.sqrt(1.0 - rise) + level * tail * np.sqrt(rise))
