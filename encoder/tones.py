"""Sounds with a pitch that nobody said: whines, whistles, squeaks, notes, chords, hums.

What a recogniser takes for a word most readily is a few harmonics that begin, glide and end
in the time of a word. Many rows at once on the GPU; each row is one machine or instrument,
each of its sounds a little different. Called by ``spoiling.Noises``.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

RATE_HZ = 16_000
PARTS = 8
SOUNDS = 24


def between(shape: tuple[int, ...], low: float, high: float, device: torch.device) -> Tensor:
    return torch.rand(shape, device=device) * (high - low) + low


def chance(count: int, share: float, device: torch.device) -> Tensor:
    return torch.rand(count, 1, device=device) < share


def varied(count: int, low: float, high: float, spread: float, device: torch.device) -> Tensor:
    """A value for each of a row's sounds: the row's own, and ``spread`` of the range about it."""
    own = between((count, 1), low, high, device)
    about = between((count, SOUNDS), -0.5, 0.5, device) * (high - low)
    wild = torch.where(chance(count, 0.25, device), 1.0, spread)
    return (own + about * wild).clamp(low, high)


def tones(count: int, size: int, device: torch.device) -> Tensor:
    """``(count, size)``, the loudest sample of each row 1."""
    lasts = 2 ** varied(count, -2.9, 0.5, 0.2, device)  # 0.13 to 1.4 s
    pause = 2 ** varied(count, -4.5, 1.3, 0.3, device)
    joined = chance(count, 0.2, device)  # one note runs into the next
    pause = torch.where(joined, pause * 0.02, pause)
    begins = torch.cumsum(lasts + pause, 1) - lasts - between((count, 1), 0, 1.5, device)
    time = (torch.arange(size, device=device) / RATE_HZ)[None].expand(count, -1).contiguous()
    number = (torch.searchsorted(begins.contiguous(), time, right=True) - 1)
    silent = number < 0
    number = number.clamp(min=0)

    def of(values: Tensor) -> Tensor:
        return values.gather(1, number)

    since, length = time - of(begins), of(lasts)
    done = (since / length).clamp(0, 1)
    inside = (since < length) & ~silent
    # Pitch: a glide, a ramp up and down (an axis that moves), a swing, a waver.
    base = varied(count, 6.4, 11.6, 0.15, device)
    steps = torch.round(varied(count, -12, 12, 0.6, device)) / 12  # notes of a scale
    base = base + steps * chance(count, 0.4, device)
    glide = varied(count, -1.3, 1.3, 0.3, device) * chance(count, 0.55, device)
    rise = varied(count, 0.3, 3.0, 0.3, device) * chance(count, 0.3, device)
    edge = of(varied(count, 0.05, 0.5, 0.3, device))
    ramp = torch.minimum(torch.minimum(done, 1 - done) / edge, torch.ones_like(done))
    swing_hz = of(varied(count, 2.0, 30.0, 0.2, device))
    swing = of(varied(count, 0.0, 0.12, 0.4, device) * chance(count, 0.4, device))
    octave = of(base) + of(glide) * done + of(rise) * (ramp - 0.5)
    octave = octave + swing * torch.sin(2 * math.pi * swing_hz * since)
    hz = (2 ** octave).clamp(40, 6500)
    phase = 2 * math.pi * torch.cumsum(hz / RATE_HZ, 1)
    # Partials: harmonics, a chord with its octaves, or the modes of a bell.
    harmonic = torch.arange(1, PARTS + 1, device=device).float()[None].expand(count, -1)
    third = torch.where(chance(count, 0.5, device), 1.26, 1.189)
    chord = torch.cat([torch.ones_like(third), third, torch.full_like(third, 1.498)], 1)
    chord = torch.cat([chord, 2 * chord, 3 * chord[:, :2]], 1)
    bell = 1 + torch.cumsum(between((count, PARTS), 0.2, 1.6, device), 1)
    kind = torch.rand(count, 1, device=device)
    ratio = torch.where(kind < 0.7, harmonic, torch.where(kind < 0.88, chord, bell))
    slope = between((count, 1), 0.2, 2.5, device)
    strength = harmonic ** -slope * between((count, PARTS), 0.1, 1.0, device)
    few = torch.randint(1, PARTS + 1, (count, 1), device=device)
    strength = strength * (harmonic <= torch.where(chance(count, 0.6, device), few.clamp(max=4), few))
    decays = between((count, PARTS), 0.0, 1.0, device) * chance(count, 0.4, device)
    sound = torch.zeros(count, size, device=device)
    for part in range(PARTS):
        up = ratio[:, part : part + 1]
        heard = strength[:, part : part + 1] * (hz * up < 7600)
        fades = torch.exp(-since.clamp(min=0) * decays[:, part : part + 1] * 12 * (part + 1) / PARTS)
        sound = sound + heard * fades * torch.sin(phase * up)
    # Loudness: plucked, bowed, blown, switched; some tremble.
    attack = of(10 ** varied(count, -3.3, -0.8, 0.3, device))
    release = of(10 ** varied(count, -2.7, -0.8, 0.3, device))
    decay = of(10 ** varied(count, -1.5, 0.6, 0.3, device))
    plucked = torch.where(chance(count, 0.4, device), torch.exp(-since.clamp(min=0) / decay), 1.0)
    shape = (1 - torch.exp(-since.clamp(min=0) / attack)) * plucked
    shape = shape * ((length - since).clamp(min=0) / release).clamp(max=1)
    tremble_hz = between((count, 1), 3, 40, device)
    tremble = between((count, 1), 0, 0.9, device) * chance(count, 0.35, device)
    shape = shape * (1 - tremble * (0.5 + 0.5 * torch.sin(2 * math.pi * tremble_hz * time)))
    shape = shape * ramp ** between((count, 1), 0.0, 0.8, device)  # a whine swells with its speed
    breath = torch.randn(count, size, device=device) * 10 ** between((count, 1), -3, -0.5, device)
    loud = of(10 ** varied(count, -0.8, 0.0, 0.4, device))
    sound = (sound + breath * strength.sum(1, keepdim=True) * 0.3) * shape * loud * inside
    rough = chance(count, 0.2, device)
    sound = torch.where(rough, torch.tanh(sound * between((count, 1), 1, 6, device)), sound)
    return sound / (sound.abs().amax(1, keepdim=True) + 1e-4)
