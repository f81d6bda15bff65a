"""Noises by name and seed, at 16 kHz: machines, air, people, music, and mixtures of them.

Otherwise than :mod:`tablevoice.acoustics.noise`, which is one shop that always sounds the
same, every seed here is another machine: other speeds, tones, rhythms, strengths. That is
what a model has to meet while it is trained. Called by tuning and evaluation.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TypeAlias

import numpy as np

from tablevoice.acoustics.shaping import Wave, band_noise, filtered, moments, unit_rms
from tablevoice.audio.clip_files import read_clip, to_rate
from tablevoice.corpora.music import music
from tablevoice.errors import AudioUnavailable
from tablevoice.model import LISTENING_RATE_HZ, Samples
from tablevoice.nearest import advice

_Random: TypeAlias = np.random.RandomState
_Maker: TypeAlias = Callable[[int, _Random], Wave]

RATE_HZ = LISTENING_RATE_HZ
LEVEL_DBFS = -26.0
"""RMS of every noise, unless a burst would leave ±1: then lower."""

LONGEST_S = 600.0
"""A piece is made as a whole in memory; for hours of noise take a seed a piece."""

_TOP_HZ = 0.49 * RATE_HZ
_SEAM_S = 0.05


def noise(name: str, seconds: float, seed: int, *, speech: Sequence[Samples] = ()) -> Samples:
    """``seconds`` of the noise ``name`` (:data:`NAMES`) at :data:`LEVEL_DBFS`.

    The same arguments give the same samples. ``speech``: clips that ``babble`` is made of,
    and that a mixture may have people from. Raises ``ValueError`` for an unknown name,
    a duration outside 0 to :data:`LONGEST_S`, or babble without speech.
    """
    n = round(seconds * RATE_HZ)
    if not 0 < n <= LONGEST_S * RATE_HZ:
        raise ValueError(f"{seconds:g} s of noise cannot be made; 0 to {LONGEST_S:g} s can")
    if name not in NAMES:
        raise ValueError(f"there is no noise {name!r}: {advice(name, NAMES)}")
    # RandomState: its stream is frozen for good (NumPy's NEP 19), Generator's is not.
    random = np.random.RandomState([seed & 0xFFFF_FFFF, zlib.crc32(name.encode())])
    if name == "babble":
        wave = _babble(n, random, speech)
    elif name == "shop":
        wave = _shop(n, random, speech)
    else:
        wave = MAKERS[name](n, random)
    return _levelled(wave)


def noise_from_file(path: Path | str, seconds: float, seed: int) -> Samples:
    """``seconds`` out of a recording, from a place that the seed chooses, at :data:`LEVEL_DBFS`.

    A recording that is too short goes round, its ends faded into each other. Raises
    :class:`AudioUnavailable` for an unusable or silent file.
    """
    wave = to_rate(read_clip(path), RATE_HZ).samples.astype(np.float64)
    if float(np.abs(wave).max()) < 1e-5:
        raise AudioUnavailable(
            "The recording is silent.", where=str(path), do="Record the room while it works."
        )
    n = round(seconds * RATE_HZ)
    if n <= 0:
        raise ValueError(f"{seconds:g} s of noise cannot be made")
    random = np.random.RandomState([seed & 0xFFFF_FFFF, zlib.crc32(b"file")])
    if len(wave) < n:
        wave = _ring(wave, n)
    start = random.randint(0, len(wave) - n + 1)
    return _levelled(wave[start : start + n])


def _ring(wave: Wave, n: int) -> Wave:
    seam = min(round(_SEAM_S * RATE_HZ), len(wave) // 2)
    rise = np.sqrt(np.linspace(0.0, 1.0, seam))
    body = wave[: len(wave) - seam].copy()
    body[:seam] = body[:seam] * rise + wave[len(wave) - seam :] * rise[::-1]
    return np.tile(body, -(-n // len(body)) + 1)


def _levelled(wave: Wave) -> Samples:
    wave = unit_rms(wave - wave.mean()) * 10.0 ** (LEVEL_DBFS / 20.0)
    return np.asarray(wave / max(1.0, float(np.abs(wave).max())), dtype=np.float32)


# --- steady ---------------------------------------------------------------------


def _white(n: int, random: _Random) -> Wave:
    return random.standard_normal(n)


def _pink(n: int, random: _Random) -> Wave:
    return band_noise(n, RATE_HZ, random, 20.0, _TOP_HZ, slope=1.0)


def _brown(n: int, random: _Random) -> Wave:
    return band_noise(n, RATE_HZ, random, 20.0, _TOP_HZ, slope=2.0)


def _hum(n: int, random: _Random) -> Wave:
    """Mains in a transformer or a bad cable: few harmonics of 50 or 60 Hz, dead steady."""
    mains_hz = float(random.choice([50.0, 60.0]))
    wave = np.zeros(n)
    turn = 2.0 * np.pi * mains_hz * np.arange(n) / RATE_HZ
    for harmonic in range(1, 16):
        strength = random.uniform(0.1, 1.0) / harmonic ** random.uniform(0.5, 1.5)
        wave += strength * np.sin(harmonic * turn + random.uniform(0.0, 6.28))
    return unit_rms(wave) + 0.1 * _pink(n, random)


def _fan(n: int, random: _Random) -> Wave:
    """Air that falls towards the treble, the tone of the blades and its overtones."""
    air = unit_rms(
        band_noise(n, RATE_HZ, random, random.uniform(40.0, 150.0), random.uniform(3e3, 7.8e3),
                   slope=random.uniform(0.8, 2.2))
    )  # fmt: skip
    wander = 1.0 + 0.003 * unit_rms(band_noise(n, RATE_HZ, random, 0.05, 1.0))
    blade_hz = np.exp(random.uniform(np.log(70.0), np.log(700.0)))
    turn = 2.0 * np.pi * np.cumsum(blade_hz * wander) / RATE_HZ
    tone = np.sin(turn) + random.uniform(0.0, 0.6) * np.sin(2.0 * turn + 1.0)
    tone += random.uniform(0.0, 0.4) * np.sin(3.0 * turn + 2.0)
    return np.asarray(air + random.uniform(0.0, 0.5) * tone)


def _pump(n: int, random: _Random) -> Wave:
    """Diaphragm, vane or piston: strokes with many harmonics, hiss that breathes with them."""
    wander = 1.0 + random.uniform(0.001, 0.008) * unit_rms(band_noise(n, RATE_HZ, random, 0.1, 1.5))
    stroke_hz = np.exp(random.uniform(np.log(12.0), np.log(110.0)))
    turn = 2.0 * np.pi * np.cumsum(stroke_hz * wander) / RATE_HZ
    steepness, even = random.uniform(0.6, 1.6), random.uniform(0.6, 1.8)
    hum = np.zeros(n)
    for harmonic in range(1, 41):
        if harmonic * stroke_hz * 1.05 > _TOP_HZ:
            break
        strength = harmonic**-steepness * (even if harmonic % 2 == 0 else 1.0)
        phase = random.uniform(0.0, 6.28)
        hum += strength * random.uniform(0.4, 1.6) * np.sin(harmonic * turn + phase)
    low_hz = random.uniform(100.0, 600.0)
    hiss = band_noise(n, RATE_HZ, random, low_hz, random.uniform(1.5e3, 6e3))
    depth = random.uniform(0.1, 0.9)
    hiss *= 1.0 + depth * np.sin(turn)
    return unit_rms(hum) + random.uniform(0.2, 1.0) * unit_rms(hiss)


def _motor(n: int, random: _Random) -> Wave:
    """An electric motor with a gear: mesh tone with side tones, brush noise, load that changes."""
    load = unit_rms(band_noise(n, RATE_HZ, random, 0.02, 0.6))
    turn_hz = random.uniform(15.0, 60.0) * (1.0 + 0.02 * load)
    turn = 2.0 * np.pi * np.cumsum(turn_hz) / RATE_HZ
    teeth = random.randint(9, 40)
    mesh = np.sin(teeth * turn) * (1.0 + random.uniform(0.2, 0.9) * np.sin(turn))
    mesh += random.uniform(0.1, 0.6) * np.sin(2.0 * teeth * turn + 1.0)
    brush = band_noise(n, RATE_HZ, random, 800.0, 6_000.0) * (1.0 + 0.5 * np.sin(2.0 * turn))
    rumble = band_noise(n, RATE_HZ, random, 30.0, 300.0)
    return (
        unit_rms(mesh) + random.uniform(0.2, 1.0) * unit_rms(brush)
        + random.uniform(0.3, 1.2) * unit_rms(rumble)
    )  # fmt: skip


def _grinder(n: int, random: _Random) -> Wave:
    """An angle grinder in use: a rough high tone that sags under load, and the cut's roar."""
    pressed = np.zeros(n)
    for start in moments(n, RATE_HZ, random, every_s=2.5):
        length = round(random.uniform(0.4, 2.5) * RATE_HZ)
        pressed[start : start + length] = random.uniform(0.5, 1.0)
    pressed = np.maximum(0.0, filtered(pressed, RATE_HZ, 1e-3, 4.0))
    spin_hz = random.uniform(120.0, 190.0) * (1.0 - 0.25 * pressed)
    turn = 2.0 * np.pi * np.cumsum(spin_hz) / RATE_HZ
    tone = sum(
        random.uniform(0.2, 1.0) / k**0.5 * np.sin(k * turn + random.uniform(0, 6.28))
        for k in range(1, 20)
    )
    roar = unit_rms(band_noise(n, RATE_HZ, random, 900.0, _TOP_HZ))
    return np.asarray(unit_rms(np.asarray(tone)) * 0.6 + roar * (0.15 + 1.5 * pressed))


# --- in bursts ------------------------------------------------------------------


def _valve(n: int, random: _Random) -> Wave:
    """Solenoid valves: clack of the armature, and after some the air that is let off."""
    wave = np.zeros(n)
    for start in _machine_rhythm(n, random, 0.1, 1.2):
        _add(wave, start, _clack(random) * random.uniform(0.3, 1.0))
        if random.uniform() < 0.4:
            _add(wave, start + round(0.008 * RATE_HZ), _puff(random, 0.05, 0.3) * 0.4)
    return wave + 1e-4 * random.standard_normal(n)


def _clack(random: _Random) -> Wave:
    time_s = np.arange(round(0.05 * RATE_HZ)) / RATE_HZ
    clack = (
        random.uniform(0.2, 0.8) * np.exp(-time_s / 0.0015) * random.standard_normal(len(time_s))
    )
    for _ in range(random.randint(1, 4)):
        ring_hz = np.exp(random.uniform(np.log(400.0), np.log(5_000.0)))
        decay_s = random.uniform(0.002, 0.012)
        clack += (
            random.uniform(0.3, 1.0)
            * np.exp(-time_s / decay_s)
            * np.sin(2.0 * np.pi * ring_hz * time_s)
        )
    return np.asarray(clack)


def _puff(random: _Random, shortest_s: float, longest_s: float) -> Wave:
    length = round(random.uniform(shortest_s, longest_s) * RATE_HZ)
    time_s = np.arange(length) / RATE_HZ
    low_hz = random.uniform(700.0, 3_000.0)
    hiss = unit_rms(band_noise(length, RATE_HZ, random, low_hz, _TOP_HZ))
    if random.uniform() < 0.5:  # a vessel that empties
        envelope = np.exp(-time_s / (0.35 * length / RATE_HZ))
    else:  # a gun that is opened and shut
        envelope = np.minimum(1.0, time_s[::-1] / random.uniform(0.01, 0.06))
    return np.asarray(hiss * envelope * (1.0 - np.exp(-time_s / random.uniform(0.001, 0.02))))


def _compressed_air(n: int, random: _Random) -> Wave:
    """A blow gun, cylinders that vent, a leak that never stops."""
    wave = np.zeros(n)
    for start in moments(n, RATE_HZ, random, every_s=random.uniform(0.6, 3.0)):
        _add(wave, start, _puff(random, 0.1, 1.2) * random.uniform(0.3, 1.0))
    leak = unit_rms(band_noise(n, RATE_HZ, random, random.uniform(1e3, 4e3), _TOP_HZ))
    return wave + random.uniform(0.003, 0.1) * leak


def _servo(n: int, random: _Random) -> Wave:
    """Axes that speed up and brake: a gliding whine with overtones, a tick where they stop."""
    wave = np.zeros(n)
    for start in moments(n, RATE_HZ, random, every_s=random.uniform(0.6, 2.5)):
        length = round(random.uniform(0.2, 1.6) * RATE_HZ)
        edge = min(length // 2, round(random.uniform(0.08, 0.4) * RATE_HZ))
        ramp = np.minimum(1.0, np.arange(length) / edge)
        speed = np.minimum(ramp, ramp[::-1])
        base_hz, top_hz = random.uniform(60.0, 300.0), random.uniform(400.0, 2_200.0)
        turn = 2.0 * np.pi * np.cumsum(base_hz + top_hz * speed) / RATE_HZ
        strengths = random.uniform(0.1, 1.0, 3)
        tone = sum(s * np.sin((k + 1) * turn) for k, s in enumerate(strengths))
        whine = np.asarray(tone) * np.sqrt(speed) * random.uniform(0.3, 1.0)
        _add(wave, start, whine)
        _add(wave, start + length, _clack(random) * random.uniform(0.0, 0.6))
    return wave + 1e-3 * unit_rms(band_noise(n, RATE_HZ, random, 100.0, 3_000.0))


def _hammer(n: int, random: _Random) -> Wave:
    """Metal on metal and things put down: a blow that rings in modes which die one by one."""
    wave = np.zeros(n)
    for start in _machine_rhythm(n, random, 0.25, 2.5):
        length = round(random.uniform(0.1, 0.7) * RATE_HZ)
        time_s = np.arange(length) / RATE_HZ
        lowest_hz = np.exp(random.uniform(np.log(180.0), np.log(2_500.0)))
        blow = np.exp(-time_s / 0.003) * random.standard_normal(length)
        for mode in range(1, 7):
            mode_hz = lowest_hz * mode ** random.uniform(1.0, 1.6)
            if mode_hz < _TOP_HZ:
                decay_s = random.uniform(0.01, 0.25) / mode
                blow += np.exp(-time_s / decay_s) * np.sin(2.0 * np.pi * mode_hz * time_s) / mode
        _add(wave, start, blow * random.uniform(0.3, 1.0))
    return wave + 1e-4 * random.standard_normal(n)


def _beeper(n: int, random: _Random) -> Wave:
    """Signals of machines and vehicles: one or two tones, on and off."""
    wave = np.zeros(n)
    time_s = np.arange(n) / RATE_HZ
    first_hz, second_hz = random.uniform(500.0, 3_200.0, 2)
    period_s, on = random.uniform(0.2, 1.6), random.uniform(0.2, 0.7)
    square = random.uniform() < 0.4
    for tone_hz, shift in ((first_hz, 0.0), (second_hz, 0.5)):
        if shift and random.uniform() < 0.6:
            continue
        tone = np.sin(2.0 * np.pi * tone_hz * time_s)
        gate = ((time_s / period_s + shift) % 1.0 < on).astype(float)
        wave += (np.tanh(3.0 * tone) if square else tone) * gate
    softened = filtered(wave, RATE_HZ, 100.0, 6_000.0)
    return softened + 1e-3 * random.standard_normal(n)


def _machine_rhythm(n: int, random: _Random, quickest_s: float, slowest_s: float) -> list[int]:
    """Moments of blows: some machines keep a beat with groups, others come as they please."""
    every_s = np.exp(random.uniform(np.log(quickest_s), np.log(slowest_s)))
    if random.uniform() < 0.5:
        return moments(n, RATE_HZ, random, every_s=float(every_s))
    group = [0.0, *sorted(random.uniform(0.0, 0.8, random.randint(0, 4)))]
    starts = []
    beat_s = random.uniform(0.0, min(every_s, 0.3 * n / RATE_HZ))
    while beat_s * RATE_HZ < n:
        for part in group:
            late_s = random.normal(0.0, 0.004)
            starts.append(max(0, round((beat_s + part * every_s + late_s) * RATE_HZ)))
        beat_s += every_s
    return starts


# --- people, music, everything --------------------------------------------------


def _music(n: int, random: _Random) -> Wave:
    return music(n, RATE_HZ, random)


def _babble(n: int, random: _Random, speech: Sequence[Samples]) -> Wave:
    """People who talk at the same time, nearer and farther, each with pauses."""
    if not speech:
        raise ValueError("babble is made of speech: give some clips")
    total = np.zeros(n)
    for _ in range(random.randint(3, 9)):
        one = np.zeros(n)
        at = -random.randint(0, RATE_HZ)
        while at < n:
            clip = unit_rms(speech[random.randint(len(speech))].astype(np.float64))
            _add(one, at, clip)
            at += len(clip) + round(random.exponential(0.35) * RATE_HZ)
        # farther people are softer and duller
        distance = random.uniform(0.0, 1.0)
        one = filtered(one, RATE_HZ, 80.0, 7_500.0 - 5_000.0 * distance)
        total += one * 10.0 ** (-12.0 * distance / 20.0)
    return total + 1e-3 * random.standard_normal(n)


def _shop(n: int, random: _Random, speech: Sequence[Samples]) -> Wave:
    """Two to five machines at once, at levels of their own; people too where speech is given."""
    names = [*_SHOP, "babble"] if speech else list(_SHOP)
    chosen = random.permutation(len(names))[: random.randint(2, 6)]
    total = np.zeros(n)
    for index in chosen:
        name = names[int(index)]
        # a stream of its own, so that a longer piece starts with the same machines
        part_random = np.random.RandomState(random.randint(0, 2**31 - 1, 4))
        if name == "babble":
            part = _babble(n, part_random, speech)
        else:
            part = MAKERS[name](n, part_random)
        total += unit_rms(part) * 10.0 ** (random.uniform(-14.0, 0.0) / 20.0)
    return total


def _add(wave: Wave, start: int, part: Wave) -> None:
    """Add ``part`` at ``start``, as far as it lies within."""
    first, last = max(0, start), min(len(wave), start + len(part))
    if first < last:
        wave[first:last] += part[first - start : last - start]


MAKERS: Mapping[str, _Maker] = MappingProxyType(
    {
        "white": _white,
        "pink": _pink,
        "brown": _brown,
        "hum": _hum,
        "fan": _fan,
        "pump": _pump,
        "motor": _motor,
        "grinder": _grinder,
        "valve": _valve,
        "compressed_air": _compressed_air,
        "servo": _servo,
        "hammer": _hammer,
        "beeper": _beeper,
        "music": _music,
    }
)
"""The noises that need nothing but a stream of random numbers."""

_SHOP = ("fan", "pump", "motor", "grinder", "valve", "compressed_air", "servo", "hammer", "hum")

NAMES = (*MAKERS, "babble", "shop")
"""All that :func:`noise` makes."""
