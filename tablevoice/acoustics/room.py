"""A simulated table in virtual time: arms through a loudspeaker, people, noise, a microphone.

Knows how sound gets from each source to the table's microphone and to a person's
ear; does not know what is said, and never looks at a clock: it advances when told.
Called by the demo and the rehearsal in place of loudspeaker and microphone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import soxr

from tablevoice.acoustics.levels import active_level_dbfs, peak
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples

FADE_S = 0.010
"""A cut source fades over this time, as the real loudspeaker does."""

_LOOP_SEAM_S = 0.05


@dataclass(frozen=True, slots=True)
class Tap:
    """One way a sound takes: so much later, so much louder (negative: softer)."""

    delay_s: float
    gain_db: float


def _all_ways(*ways: Tap) -> tuple[Tap, ...]:
    """The ways together carry 0 dB, so that a level asked for is the level that arrives."""
    total_db = 10.0 * math.log10(sum(10.0 ** (way.gain_db / 10.0) for way in ways))
    return tuple(Tap(way.delay_s, way.gain_db - total_db) for way in ways)


LOUDSPEAKER_TO_MICROPHONE = _all_ways(Tap(0.0035, 0.0), Tap(0.0081, -7.0), Tap(0.0137, -10.5))
"""About 1.2 m straight, then by the table top and by a wall; gains beside the direct way."""

PERSON_TO_MICROPHONE = _all_ways(Tap(0.0018, 0.0), Tap(0.0049, -9.0), Tap(0.0122, -13.0))
SOURCE_TO_EAR = _all_ways(Tap(0.0, 0.0), Tap(0.0066, -9.0), Tap(0.0121, -12.0))


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One step of the room, all from ``start_s`` on.

    ``mic`` (16 kHz) is what the table's microphone picks up, ``reference`` (16 kHz)
    what the loudspeaker plays in that time, ``heard_at_table`` (the room's
    ``table_rate_hz``) what a person beside it hears.
    """

    start_s: float
    mic: Samples
    reference: Samples
    heard_at_table: Samples


@dataclass(slots=True, eq=False)
class _Sounding:
    """A clip under way: the same sound at both rates, and where on each line it starts."""

    source: str
    is_arm: bool
    at_mic_rate: Samples
    at_table_rate: Samples
    start: int  # in samples at the listening rate
    cut: int | None = None

    @property
    def end(self) -> int:
        whole = self.start + len(self.at_mic_rate)
        if self.cut is None:
            return whole
        return min(whole, self.cut + math.ceil(FADE_S * LISTENING_RATE_HZ))


class Room:
    """Everything that sounds around one table; two runs of the same calls give the same bytes.

    ``noise`` repeats without a seam for as long as the room lives (``None``: silence)
    at ``noise_gain_db`` beside its own level. ``arms`` speak through the loudspeaker,
    which reaches the microphone ``leak_db`` softer than it plays. ``people`` speak into
    the room; with ``person_level_dbfs`` every clip of theirs reaches the microphone at
    that active speech level, with ``None`` as loud as the clip is.
    ``table_rate_hz`` is the rate of what a person at the table hears.
    """

    def __init__(
        self,
        noise: Clip | None,
        *,
        arms: Sequence[str] = ("Alder", "Briar"),
        people: Sequence[str] = ("visitor",),
        leak_db: float = -14.0,
        person_level_dbfs: float | None = -24.0,
        noise_gain_db: float = 0.0,
        table_rate_hz: int = 24_000,
    ) -> None:
        if set(arms) & set(people) or not (arms or people):
            raise ValueError("arms and people of a room need names of their own")
        self.table_rate_hz = table_rate_hz
        self._arms = tuple(arms)
        self._people = tuple(people)
        self._leak_db = leak_db
        self._person_level_dbfs = person_level_dbfs
        self._now = 0
        self._sounding: list[_Sounding] = []
        self._noise_at_mic, self._noise_at_table = _loops(noise, noise_gain_db, table_rate_hz)
        self._longest_tap = math.ceil(
            LISTENING_RATE_HZ
            * max(
                tap.delay_s
                for tap in LOUDSPEAKER_TO_MICROPHONE + PERSON_TO_MICROPHONE + SOURCE_TO_EAR
            )
        )

    @property
    def now_s(self) -> float:
        """How far the room has come; a whole number of samples, so it never drifts."""
        return self._now / LISTENING_RATE_HZ

    def start(self, source: str, clip: Clip, at_s: float | None = None) -> float:
        """Let a source sound from ``at_s`` on (now, if that has passed); gives its end in seconds.

        A source that sounds already goes on: cutting it first is the caller's choice.
        """
        self._check(source)
        mic = _resampled(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
        table = _resampled(clip.samples, clip.rate_hz, self.table_rate_hz)
        if source in self._people and self._person_level_dbfs is not None and peak(mic) > 0.0:
            level_dbfs = active_level_dbfs(mic, LISTENING_RATE_HZ)
            gain = np.float32(10.0 ** ((self._person_level_dbfs - level_dbfs) / 20.0))
            mic, table = mic * gain, table * gain
        sounding = _Sounding(source, source in self._arms, mic, table, self._sample(at_s))
        self._sounding.append(sounding)
        return sounding.end / LISTENING_RATE_HZ

    def cut(self, source: str, at_s: float | None = None) -> bool:
        """Fade a source out from ``at_s`` on (now, if that has passed); False if it was silent.

        What was to start later than ``at_s`` is not touched.
        """
        self._check(source)
        at = self._sample(at_s)
        found = False
        for sounding in self._sounding:
            if sounding.source == source and sounding.start <= at < sounding.end:
                sounding.cut = at if sounding.cut is None else min(at, sounding.cut)
                found = True
        return found

    def sounding(self) -> tuple[str, ...]:
        """Names of the sources that sound now, in the order in which they started."""
        return tuple(s.source for s in self._sounding if s.start <= self._now < s.end)

    def advance(self, block_s: float = 0.032) -> Block:
        """Go on by ``block_s`` (rounded to samples at 16 kHz) and give what sounded in it."""
        n = round(block_s * LISTENING_RATE_HZ)
        if n <= 0:
            raise ValueError(f"a block of {block_s} s holds no sample")
        first, last = self._now, self._now + n
        table_first, table_last = self._at_table(first), self._at_table(last)
        mic = _looped(self._noise_at_mic, first, last)
        table = _looped(self._noise_at_table, table_first, table_last)
        reference = np.zeros(n)
        for one in self._sounding:
            fade = round(FADE_S * LISTENING_RATE_HZ)
            way = LOUDSPEAKER_TO_MICROPHONE if one.is_arm else PERSON_TO_MICROPHONE
            gain_db = self._leak_db if one.is_arm else 0.0
            _add(mic, first, one.at_mic_rate, one.start, one.cut, fade, way, gain_db)
            if one.is_arm:
                _add(reference, first, one.at_mic_rate, one.start, one.cut, fade, (Tap(0, 0),), 0)
            fade = round(FADE_S * self.table_rate_hz)
            cut = None if one.cut is None else self._at_table(one.cut)
            start = self._at_table(one.start)
            _add(table, table_first, one.at_table_rate, start, cut, fade, SOURCE_TO_EAR, 0.0,
                 rate_hz=self.table_rate_hz)  # fmt: skip
        self._now = last
        self._sounding = [s for s in self._sounding if s.end + self._longest_tap >= last]
        return Block(first / LISTENING_RATE_HZ, _limited(mic), _limited(reference), _limited(table))

    def _at_table(self, sample: int) -> int:
        return sample * self.table_rate_hz // LISTENING_RATE_HZ

    def _sample(self, at_s: float | None) -> int:
        return self._now if at_s is None else max(self._now, round(at_s * LISTENING_RATE_HZ))

    def _check(self, source: str) -> None:
        if source not in self._arms + self._people:
            names = ", ".join(self._arms + self._people)
            raise ValueError(f"no '{source}' at this table; there are {names}")


def _resampled(samples: Samples, from_hz: int, to_hz: int) -> Samples:
    if from_hz == to_hz:
        return samples
    return np.asarray(soxr.resample(samples, from_hz, to_hz), dtype=np.float32)


def _loops(noise: Clip | None, gain_db: float, table_rate_hz: int) -> tuple[Samples, Samples]:
    """The noise at both rates, each ring of exactly the same duration, its seam cross-faded."""
    if noise is None or not len(noise.samples):
        return np.zeros(1, np.float32), np.zeros(1, np.float32)
    gain = np.float32(10.0 ** (gain_db / 20.0))
    mic = _resampled(noise.samples, noise.rate_hz, LISTENING_RATE_HZ) * gain
    table = _resampled(noise.samples, noise.rate_hz, table_rate_hz) * gain
    whole = LISTENING_RATE_HZ // math.gcd(LISTENING_RATE_HZ, table_rate_hz)
    seam = round(min(_LOOP_SEAM_S, noise.duration_s / 4) * LISTENING_RATE_HZ) // whole * whole
    ring = (len(mic) - seam - whole) // whole * whole
    if ring <= 0:
        raise ValueError("the noise of a room is too short to repeat")
    scale = table_rate_hz / LISTENING_RATE_HZ
    return _ring(mic, ring, seam), _ring(table, round(ring * scale), round(seam * scale))


def _ring(samples: Samples, ring: int, seam: int) -> Samples:
    looped = samples[:ring].copy()
    if seam:  # equal power: the two sides of the seam have nothing to do with each other
        part = (np.arange(seam) + 0.5) / seam * (np.pi / 2)
        after = samples[ring : ring + seam]
        looped[:seam] = looped[:seam] * np.sin(part) + after * np.cos(part)
    return looped.astype(np.float32)


def _looped(ring: Samples, first: int, last: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return ring[np.arange(first, last) % len(ring)].astype(np.float64)


def _add(
    into: np.ndarray[tuple[int], np.dtype[np.float64]],
    first: int,
    samples: Samples,
    start: int,
    cut: int | None,
    fade: int,
    way: tuple[Tap, ...],
    gain_db: float,
    *,
    rate_hz: int = LISTENING_RATE_HZ,
) -> None:
    """Add what arrives from a sound by each tap within the block that begins at ``first``."""
    end = len(samples) if cut is None else min(len(samples), max(0, cut - start) + fade)
    for tap in way:
        arrives = start + round(tap.delay_s * rate_hz)
        low, high = max(first, arrives), min(first + len(into), arrives + end)
        if low >= high:
            continue
        piece = samples[low - arrives : high - arrives] * 10.0 ** ((gain_db + tap.gain_db) / 20.0)
        if cut is not None:
            since = np.arange(low - arrives, high - arrives) - (cut - start)
            piece = piece * (0.5 + 0.5 * np.cos(np.pi * np.clip(since / fade, 0.0, 1.0)))
        into[low - first : high - first] += piece


def _limited(wave: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Samples:
    return np.clip(wave, -1.0, 1.0).astype(np.float32)
