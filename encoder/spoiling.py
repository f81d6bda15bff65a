"""Spoils clean speech as rooms, machines and microphones do, many clips at once on the GPU.

Knows flat arrays of 16-bit clips and of noises; knows no labels and no network. All
random numbers come from PyTorch's generator, seeded by ``train.py``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from tones import tones
from torch import Tensor

RATE_HZ = 16_000


class Bank:
    """Clips end to end in one array on the device, cut out in batches."""

    def __init__(self, samples: Tensor, starts: Tensor, lengths: Tensor) -> None:
        self.samples, self.starts, self.lengths = samples, starts, lengths

    def __len__(self) -> int:
        return len(self.starts)

    def placed(self, which: Tensor, at: Tensor, warp: Tensor, size: int) -> Tensor:
        """Clips ``which`` resampled by ``warp`` and set at sample ``at`` of ``(n, size)`` zeros.

        The pace swings by up to an eighth within the clip, as nobody speaks like a clock.
        """
        device = self.samples.device
        place = (torch.arange(size, device=device)[None] - at[:, None]).float()
        lengths = self.lengths[which][:, None]
        period = uniform(len(which), 0.5, 1.5, device)[:, None] * lengths.float()
        phase = uniform(len(which), 0.0, 6.28, device)[:, None]
        swing = uniform(len(which), 0.0, 0.12, device)[:, None] * period / 6.2832
        turn = 6.2832 * place / period + phase
        source = place * warp[:, None] + swing * (torch.sin(turn) - torch.sin(phase))
        inside = (source >= 0) & (source < lengths - 1)
        whole = source.clamp(min=0).floor()
        rest = (source - whole).clamp(0, 1)
        index = self.starts[which][:, None] + torch.minimum(whole.long(), lengths - 2)
        value = self.samples[index].float() * (1 - rest) + self.samples[index + 1].float() * rest
        return value * inside / 32768

    def stretch(self, count: int, size: int) -> Tensor:
        """Random stretches of the whole array, ``(count, size)``."""
        start = torch.randint(0, len(self.samples) - size, (count,), device=self.samples.device)
        index = start[:, None] + torch.arange(size, device=self.samples.device)[None]
        return self.samples[index].float() / 32768


def uniform(count: int, low: float, high: float, device: torch.device) -> Tensor:
    return torch.rand(count, device=device) * (high - low) + low


def filtered(samples: Tensor, response: Tensor) -> Tensor:
    """Each row by its own impulse response, by the fast Fourier transform."""
    size = samples.shape[1] + response.shape[1]
    size = 1 << (size - 1).bit_length()
    spectrum = torch.fft.rfft(samples, size) * torch.fft.rfft(response, size)
    return torch.fft.irfft(spectrum, size)[:, : samples.shape[1]]


def rooms(count: int, device: torch.device) -> Tensor:
    """Impulse responses: a direct path, a few early echoes and an exponential tail."""
    size = 8000
    time = torch.arange(size, device=device)[None] / RATE_HZ
    rt60_s = uniform(count, 0.08, 0.8, device)[:, None]
    tail = torch.randn(count, size, device=device) * torch.exp(-6.9 * time / rt60_s)
    late = (uniform(count, 0.002, 0.02, device) * RATE_HZ)[:, None]
    tail = tail * (torch.arange(size, device=device)[None] > late)
    tail = tail / tail.pow(2).sum(1, keepdim=True).sqrt()
    direct_db = uniform(count, -2.0, 18.0, device)[:, None]
    response = tail * 10 ** (-direct_db / 20)
    response[:, 0] = 1.0
    response[torch.rand(count, device=device) < 0.25, 1:] = 0.0  # a close microphone
    return response


def coloured(count: int, size: int, device: torch.device) -> Tensor:
    """Noise of random spectrum: a tilt, a few resonances, hum and its harmonics, beats, knocks."""
    spectrum = torch.fft.rfft(torch.randn(count, size, device=device))
    hz = torch.linspace(0, RATE_HZ / 2, spectrum.shape[1], device=device)[None]
    octave = torch.log2((hz + 30) / 500)
    shape_db = -uniform(count, -3.0, 6.0, device)[:, None] * octave
    for _ in range(4):
        centre = 2 ** uniform(count, 6.3, 12.9, device)[:, None]
        wide = uniform(count, 0.05, 0.9, device)[:, None]
        height = uniform(count, -10, 22, device)[:, None]
        shape_db = shape_db + height * torch.exp(-0.5 * (torch.log2((hz + 1) / centre) / wide) ** 2)
    noise = torch.fft.irfft(spectrum * 10 ** (shape_db / 20), size)
    noise = noise / noise.std(1, keepdim=True)
    time = torch.arange(size, device=device)[None] / RATE_HZ
    # Slow beats: pumps and compressors.
    beat = uniform(count, 0.3, 14, device)[:, None]
    depth = uniform(count, 0, 1, device)[:, None] * (torch.rand(count, 1, device=device) < 0.5)
    phase = uniform(count, 0, 6.28, device)[:, None]
    noise = noise * (1 + depth * torch.sin(2 * math.pi * beat * time + phase))
    # Tones that may glide: hum, fans, servos.
    for _ in range(3):
        start = 2 ** uniform(count, 5.6, 11.5, device)[:, None]
        glide = uniform(count, -1.5, 1.5, device)[:, None]
        glide = glide * (torch.rand(count, 1, device=device) < 0.5)
        turn = 2 * math.pi * start * time * (1 + 0.5 * glide * time / 3.2)
        level = 10 ** (uniform(count, -30, 6, device)[:, None] / 20)
        harmonics = torch.sin(turn) + 0.6 * torch.sin(2 * turn) + 0.4 * torch.sin(3 * turn)
        noise = noise + level * harmonics * (torch.rand(count, 1, device=device) < 0.4)
    # Knocks and hisses: valves, parts that meet.
    knocks = torch.zeros(count, size, device=device)
    for _ in range(3):
        at = uniform(count, 0, size / RATE_HZ, device)[:, None]
        decay = 10 ** uniform(count, -2.5, -0.6, device)[:, None]
        since = time - at
        burst = torch.exp(-since.clamp(min=0) / decay) * (since >= 0)
        level = 10 ** (uniform(count, 0, 22, device)[:, None] / 20)
        knocks = knocks + burst * level * (torch.rand(count, 1, device=device) < 0.4)
    return noise + knocks * torch.randn(count, size, device=device)


def events(count: int, size: int, device: torch.device) -> Tensor:
    """What machines do now and then: blows that ring, warning tones, air let off, at a beat.

    Each row has one rhythm and one kind of sound; loudest 1.
    """
    time = torch.arange(size, device=device)[None] / RATE_HZ
    period = 2 ** uniform(count, -3.2, 2.2, device)[:, None]
    jitter = 0.15 * torch.rand(count, 64, device=device) * (torch.rand(count, 1, device=device) < 0.5)
    turn = time / period + uniform(count, 0, 1, device)[:, None]
    number = turn.floor()
    since = (turn - number - jitter.gather(1, number.long() % 64)).clamp(min=-1) * period
    begun = since >= 0
    missed = torch.rand(count, 64, device=device) < uniform(count, 0, 0.6, device)[:, None]
    begun = begun & ~missed.gather(1, number.long() % 64)
    since = since.clamp(min=0)
    # A blow: a few modes that ring, and the crack of the contact.
    ring = torch.zeros(count, size, device=device)
    for _ in range(4):
        hz = 2 ** uniform(count, 7.5, 12.6, device)[:, None]
        decay = 10 ** uniform(count, -2.3, -0.8, device)[:, None]
        strength = torch.rand(count, 1, device=device)
        ring = ring + strength * torch.exp(-since / decay) * torch.sin(2 * math.pi * hz * since)
    hiss = torch.randn(count, size, device=device)
    ring = ring + 0.7 * hiss * torch.exp(-since / 0.004)
    # Air: a fast rise, a while of hiss, a fall; its colour comes from one pole.
    attack = 10 ** uniform(count, -2.7, -1.4, device)[:, None]
    lasts = uniform(count, 0.03, 0.9, device)[:, None] * period.clamp(max=1.5)
    fall = 10 ** uniform(count, -2.3, -0.9, device)[:, None]
    shape = (1 - torch.exp(-since / attack)) * torch.exp(-(since - lasts).clamp(min=0) / fall)
    bright = hiss - uniform(count, -0.6, 0.95, device)[:, None] * torch.roll(hiss, 1, 1)
    # A tone: steady, in two pitches or warbling, switched hard.
    hz = 2 ** uniform(count, 8.5, 11.8, device)[:, None]
    other = 2 ** uniform(count, -0.6, 0.6, device)[:, None]
    swap = torch.floor(since / uniform(count, 0.03, 0.4, device)[:, None]) % 2
    swap = swap * (torch.rand(count, 1, device=device) < 0.4)
    phase = 2 * math.pi * torch.cumsum(hz * torch.where(swap > 0, other, 1.0) / RATE_HZ, 1)
    tone = torch.sin(phase) + 0.3 * torch.sin(3 * phase) * torch.rand(count, 1, device=device)
    tone = tone * (since < lasts)
    which = torch.rand(count, 1, device=device)
    sound = torch.where(which < 0.4, ring, torch.where(which < 0.75, bright * shape, tone)) * begun
    return sound / (sound.abs().amax(1, keepdim=True) + 1e-4)


def microphone(samples: Tensor) -> Tensor:
    """Random smooth colour, and now and then a narrow band or clipping."""
    count, size = samples.shape
    device = samples.device
    spectrum = torch.fft.rfft(samples)
    hz = torch.linspace(0, RATE_HZ / 2, spectrum.shape[1], device=device)[None]
    octave = torch.log2((hz + 60) / 1000)
    shape_db = uniform(count, -4, 4, device)[:, None] * octave
    for _ in range(3):
        centre = 2 ** uniform(count, 7, 12.9, device)[:, None]
        wide = uniform(count, 0.2, 1.2, device)[:, None]
        height = uniform(count, -9, 7, device)[:, None]
        shape_db = shape_db + height * torch.exp(-0.5 * (torch.log2((hz + 1) / centre) / wide) ** 2)
    low = uniform(count, 20, 350, device)[:, None]
    shape_db = shape_db - 10 * torch.log10(1 + (low / (hz + 1)) ** 4)
    top = torch.where(torch.rand(count, device=device) < 0.25,
                      uniform(count, 3300, 7000, device), torch.full((count,), 9000.0, device=device))
    shape_db = shape_db - 10 * torch.log10(1 + (hz / top[:, None]) ** 16)
    samples = torch.fft.irfft(spectrum * 10 ** (shape_db / 20), size)
    peak = samples.abs().amax(1, keepdim=True) + 1e-6
    limit = peak * torch.where(torch.rand(count, 1, device=device) < 0.12,
                               uniform(count, 0.1, 0.6, device)[:, None], torch.ones(1, device=device))
    samples = torch.minimum(torch.maximum(samples, -limit), limit)
    level = 10 ** (uniform(count, -45, -2, device)[:, None] / 20)
    samples = samples / (samples.abs().amax(1, keepdim=True) + 1e-6) * level
    # The converter's own noise.
    return samples + torch.randn_like(samples) * 10 ** (uniform(count, -90, -66, device)[:, None] / 20)


def level(samples: Tensor, inside: Tensor) -> Tensor:
    """Root mean square over the marked samples, ``(n, 1)``."""
    power = (samples ** 2 * inside).sum(1, keepdim=True) / inside.sum(1, keepdim=True).clamp(min=1)
    return power.sqrt() + 1e-7


SHARES = {"coloured": 0.32, "made": 0.36, "tones": 0.14, "music": 0.09, "sounds": 0.09}
"""What the store of things that are nobody consists of."""
ROW, LOUD = 96_000, 3000


class Noises:
    """A store of made noises, rooms and talk, drawn from at random: making is the dear part.

    ``made``: the folder that ``machines.py`` wrote, ``sounds``: recorded ones without people,
    music among them.
    """

    def __init__(
        self, banks: list[Bank], device: torch.device, count: int, made: Path | None = None,
        sounds: Sequence[Bank] = (),
    ) -> None:
        self._rooms = torch.cat([rooms(256, device) for _ in range(max(1, count // 256))])
        have = {"coloured", "tones"} | ({"made", "music"} if made else set()) | (
            {"sounds"} if sounds else set())
        whole = sum(share for name, share in SHARES.items() if name in have)
        rows = {name: round(SHARES[name] / whole * count) for name in SHARES if name in have}
        kept = [stored(coloured_machines(64, device)) for _ in range(max(1, rows["coloured"] // 64))]
        kept += [stored(toned_machines(64, device)) for _ in range(max(1, rows["tones"] // 64))]
        if made:
            for name, file in (("made", "machines.npy"), ("music", "music.npy")):
                store = np.load(made / file, mmap_mode="r")
                which = np.random.default_rng(int(torch.randint(0, 1 << 30, (1,)))).permutation(
                    len(store))[: rows[name]]
                kept.append(torch.from_numpy(store[np.sort(which)]).to(device))
        for recorded in sounds:
            kept += [stored(recorded.stretch(64, ROW))
                     for _ in range(max(1, rows["sounds"] // 64 // len(sounds)))]
        talk = []
        for _ in range(max(1, count // 128)):
            mixture = torch.zeros(64, ROW, device=device)
            for index in range(6):
                keep = (torch.rand(64, 1, device=device) < 0.5) | (index == 0)
                part = banks[int(torch.randint(0, len(banks), (1,)))].stretch(64, ROW)
                mixture = mixture + part / (part.std(1, keepdim=True) + 1e-4) * keep
            talk.append(stored(filtered(mixture, self.some_rooms(64))))
        self._machines, self._talk = torch.cat(kept).flatten(), torch.cat(talk).flatten()

    def some_rooms(self, count: int) -> Tensor:
        return self._rooms[torch.randint(0, len(self._rooms), (count,), device=self._rooms.device)]

    def _stretch(self, store: Tensor, count: int, size: int) -> Tensor:
        row = torch.randint(0, len(store) // ROW, (count,), device=store.device) * ROW
        start = row + torch.randint(0, ROW - size, (count,), device=store.device)
        index = start[:, None] + torch.arange(size, device=store.device)[None]
        return store[index].float() / LOUD

    def machines(self, count: int, size: int) -> Tensor:
        return self._stretch(self._machines, count, size)

    def talk(self, count: int, size: int) -> Tensor:
        return self._stretch(self._talk, count, size)

    def begun(self, count: int, size: int) -> Tensor:
        """Machines where something begins, as a finder of speech that is wrong would cut them."""
        rows = self._machines.view(-1, ROW)
        rows = rows[torch.randint(0, len(rows), (count,), device=rows.device)].float() / LOUD
        loud_db = 10 * torch.log10(rows.view(count, -1, 160).pow(2).mean(2) + 1e-5)
        before, after = loud_db.unfold(1, 20, 1).mean(2), loud_db.unfold(1, 6, 1).mean(2)
        rise = after[:, 20 : 20 + before.shape[1] - 6] - before[:, : before.shape[1] - 6]
        rise = rise[:, : max(1, (ROW - size) // 160)]
        some = rise - 6 * torch.log(-torch.log(torch.rand_like(rise).clamp(1e-6, 1 - 1e-6)))
        at = (20 + some.argmax(1)) * 160  # the more it rises, the likelier
        at = at - (uniform(count, 0.05, 0.4, rows.device) * RATE_HZ).long()
        index = at.clamp(0, ROW - size)[:, None] + torch.arange(size, device=rows.device)[None]
        return rows.gather(1, index)

    def nobody(self, count: int, size: int) -> Tensor:
        """What is cut out though nobody spoke: mostly what begins, some of it in a room, beside
        a machine; now and then a machine that goes on, or other people far away."""
        device = self._machines.device
        sound = self.begun(count, size)
        kind = torch.rand(count, 1, device=device)
        sound = torch.where(kind < 0.15, self.talk(count, size), sound)
        sound = torch.where((kind > 0.15) & (kind < 0.3), self.machines(count, size), sound)
        roomy = torch.rand(count, 1, device=device) < 0.5
        sound = torch.where(roomy, filtered(sound, self.some_rooms(count)), sound)
        beside = self.machines(count, size)
        beside = beside / (beside.std(1, keepdim=True) + 1e-3) * sound.std(1, keepdim=True)
        softer = 10 ** (uniform(count, -30, 0, device)[:, None] / 20)
        return sound + beside * softer * (torch.rand(count, 1, device=device) < 0.6)

    def mixed(self, count: int, size: int, machines_alone: float) -> tuple[Tensor, Tensor]:
        """``(count, size)`` of noise, and the share in each that is other people, ``(count,)``:
        none in ``machines_alone`` of the rows, all up to 0.82, any in the others."""
        device = self._machines.device
        kind = torch.rand(count, device=device)
        share = torch.where(kind < machines_alone, torch.zeros_like(kind), torch.where(
            kind < 0.82, torch.ones_like(kind), torch.rand_like(kind)))
        noise = self.machines(count, size) * (1 - share[:, None])
        noise = noise + self.talk(count, size) * share[:, None]
        second = torch.rand(count, 1, device=device) < 0.35  # a machine seldom works alone
        beside = self.machines(count, size) * second * torch.rand(count, 1, device=device)
        return noise + beside, share


def stored(rows: Tensor) -> Tensor:
    """Each row at an RMS of ``LOUD``, or as loud as its peaks allow, in 16 bits."""
    loud = torch.minimum(LOUD / (rows.std(1, keepdim=True) + 1e-5),
                         32_000 / (rows.abs().amax(1, keepdim=True) + 1e-5))
    return (rows * loud).short()


def coloured_machines(count: int, device: torch.device) -> Tensor:
    """A steady machine, and what it does now and then."""
    machine = coloured(count, ROW, device)
    for _ in range(2):
        loud = 10 ** (uniform(count, -6, 24, device)[:, None] / 20)
        happens = torch.rand(count, 1, device=device) < 0.35
        machine = machine + events(count, ROW, device) * loud * happens * machine.std(
            1, keepdim=True)
    return machine


def toned_machines(count: int, device: torch.device) -> Tensor:
    """Sounds with a pitch, one or two at a time, above a floor that is soft or hardly there."""
    sound = tones(count, ROW, device)
    second = 10 ** (uniform(count, -20, 0, device)[:, None] / 20)
    sound = sound + tones(count, ROW, device) * second * (
        torch.rand(count, 1, device=device) < 0.3)
    floor = 10 ** (uniform(count, -70, -15, device)[:, None] / 20)
    return sound + coloured(count, ROW, device) * floor


def heard_level(noise: Tensor, inside: Tensor) -> Tensor:
    """How loud the noise is beside the word; a noise that then is silent counts as a whole,
    or its next blow would be louder than anything."""
    whole = level(noise, torch.ones_like(inside))
    return torch.maximum(level(noise, inside), 0.3 * whole)


def spoilt(speech: Bank, which: Tensor, size: int, noises: Noises) -> Tensor:
    """Clips ``which`` in windows of ``size`` samples, warped, in a room, in noise, ``(n, size)``."""
    device = speech.samples.device
    count = len(which)
    warp = torch.where(torch.rand(count, device=device) < 0.8,
                       uniform(count, 0.84, 1.19, device), torch.ones(count, device=device))
    room = size - speech.lengths[which] / warp
    at = (torch.rand(count, device=device) * (room - 800).clamp(min=1)).long()
    # Whoever cuts the words out may come late: up to 60 ms of the first sound are gone.
    late = torch.rand(count, device=device) < 0.08
    at = torch.where(late, -(torch.rand(count, device=device) * 960).long(), at)
    clean = speech.placed(which, at, warp, size)
    inside = clean.abs() > 0.01
    clean = clean / level(clean, inside)
    clean = filtered(clean, noises.some_rooms(count))
    noise, share = noises.mixed(count, size, 0.64)
    noise = noise / heard_level(noise, inside)
    snr_db = torch.where(torch.rand(count, device=device) < 0.12,
                         uniform(count, 30, 50, device), uniform(count, -8, 24, device))
    # Talk of others must stay the quieter, or nobody could say which word was meant.
    snr_db = torch.where(share > 0.5, snr_db.clamp(min=2), snr_db)
    return microphone(clean + noise * 10 ** (-snr_db[:, None] / 20))
