"""Makes music that nobody has heard, as a background: chords, bass, melody, drums.

Knows a little harmony and a few sounds, enough to have what troubles a recogniser: steady
pitches with harmonics, onsets on a beat, now and then a tune in the range of voices.
Called by :mod:`tablevoice.corpora.noises`.
"""

from __future__ import annotations

import numpy as np

from tablevoice.acoustics.shaping import Wave, band_noise, filtered, unit_rms

_MAJOR, _MINOR = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10)
_PROGRESSIONS = ((0, 4, 5, 3), (0, 5, 3, 4), (5, 3, 0, 4), (0, 3, 4, 3), (0, 6, 3, 4), (1, 4, 0, 0))
"""Steps of the scale that the chords stand on, a bar each."""

_BEATS_A_BAR = 4


def music(n: int, rate_hz: int, random: np.random.RandomState) -> Wave:
    """``n`` samples of a piece that the random stream decides: key, pace, players, tune."""
    scale = _MAJOR if random.uniform() < 0.6 else _MINOR
    root_hz = 110.0 * 2.0 ** (random.randint(-5, 7) / 12.0)
    beat_s = 60.0 / random.uniform(65.0, 165.0)
    chords = _PROGRESSIONS[random.randint(len(_PROGRESSIONS))]
    players = {
        "chords": _timbre(random), "bass": _timbre(random), "tune": _timbre(random)
    }  # fmt: skip
    levels = {
        "chords": random.uniform(0.3, 1.0), "bass": random.uniform(0.3, 1.0),
        "tune": random.uniform(0.3, 1.2), "drums": random.choice([0.0, 0.5, 1.0]),
    }  # fmt: skip
    plucked = random.uniform() < 0.5
    total = np.zeros(n)
    step = 7 + random.randint(0, 7)
    bars = int(n / rate_hz / (beat_s * _BEATS_A_BAR)) + 1
    for bar in range(bars):
        bar_s = bar * beat_s * _BEATS_A_BAR
        degree = chords[bar % len(chords)]
        for third in (0, 2, 4):
            note_hz = _hz(root_hz, scale, degree + third)
            decay_s = beat_s * (1.0 if plucked else 6.0)
            _play(total, rate_hz, bar_s, beat_s * _BEATS_A_BAR, note_hz, players["chords"],
                  levels["chords"] / 3.0, decay_s)  # fmt: skip
        for beat in range(_BEATS_A_BAR):
            at_s = bar_s + beat * beat_s
            if beat % 2 == 0 or random.uniform() < 0.4:
                _play(total, rate_hz, at_s, beat_s, _hz(root_hz, scale, degree) / 2.0,
                      players["bass"], levels["bass"], beat_s)  # fmt: skip
            if levels["drums"]:
                _drum(total, rate_hz, at_s, beat, random, levels["drums"])
            parts = random.choice([0, 1, 1, 2])
            for part in range(parts):
                step = int(np.clip(step + random.randint(-2, 3), 5, 20))
                length_s = beat_s / parts
                _play(total, rate_hz, at_s + part * length_s, length_s, _hz(root_hz, scale, step),
                      players["tune"], levels["tune"], beat_s)  # fmt: skip
    low_hz, high_hz = random.uniform(30.0, 250.0), random.uniform(3e3, 0.49 * rate_hz)
    return filtered(total, rate_hz, low_hz, high_hz)


def _timbre(random: np.random.RandomState) -> Wave:
    """Strengths of the harmonics of a player, the first first."""
    count = random.randint(3, 14)
    falling = np.arange(1, count + 1) ** -random.uniform(0.7, 2.2)
    return np.asarray(falling * random.uniform(0.2, 1.0, count))


def _hz(root_hz: float, scale: tuple[int, ...], step: int) -> float:
    octave, degree = divmod(step, len(scale))
    return float(root_hz * 2.0 ** (octave + scale[degree] / 12.0))


def _play(
    total: Wave,
    rate_hz: int,
    at_s: float,
    length_s: float,
    note_hz: float,
    harmonics: Wave,
    level: float,
    decay_s: float,
) -> None:
    start = round(at_s * rate_hz)
    length = min(round(length_s * rate_hz), len(total) - start)
    if length < 32:
        return
    time_s = np.arange(length) / rate_hz
    turn = 2.0 * np.pi * note_hz * time_s
    note = np.zeros(length)
    for number, strength in enumerate(harmonics, start=1):
        if number * note_hz < 0.48 * rate_hz:
            note += strength * np.sin(number * turn)
    envelope = (1.0 - np.exp(-time_s / 0.008)) * np.exp(-time_s / decay_s)
    envelope *= np.minimum(1.0, time_s[::-1] / 0.02)
    total[start : start + length] += level * unit_rms(note) * envelope


def _drum(
    total: Wave, rate_hz: int, at_s: float, beat: int, random: np.random.RandomState, level: float
) -> None:
    start = round(at_s * rate_hz)
    length = min(round(0.18 * rate_hz), len(total) - start)
    if length < 32:
        return
    time_s = np.arange(length) / rate_hz
    if beat % 2 == 0:
        hit = 1.6 * np.sin(2.0 * np.pi * (45.0 * time_s - 1.5 * np.exp(-time_s / 0.03)))
        hit *= np.exp(-time_s / 0.06)
    else:
        hit = unit_rms(band_noise(length, rate_hz, random, 900.0, 0.49 * rate_hz))
        hit *= 0.9 * np.exp(-time_s / 0.04)
    total[start : start + length] += level * hit
