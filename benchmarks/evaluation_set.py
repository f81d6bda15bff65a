"""Makes the repository's evaluation set: words, outside words and talk by voices held out.

Everything is made again from the engines at hand and a seed; nothing is recorded or chosen
by hand. The families named here are never tuned on. Called by ``benchmarks.evaluation``.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tablevoice.audio.clip_files import ClipWriter, write_clip
from tablevoice.cell import Cell
from tablevoice.corpora.noises import noise
from tablevoice.corpora.rendering import Request, render, rendered_clips
from tablevoice.corpora.sentences import EVERYDAY, without_commands
from tablevoice.corpora.speakers import Speaker, any_manner, sample_of_speakers, speakers
from tablevoice.corpora.wordlists import ordinary_words
from tablevoice.evaluation.manifest import COLUMNS
from tablevoice.evaluation.phrases import phrases_of
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples

HELD_OUT_FAMILIES: tuple[str, ...] = ("festival", "pico", "piper")
"""Whole families of voices that neither the encoder nor any tuned file has learnt from."""

SEED = 20_261_125
_MACHINES_AND_MUSIC = ("shop", "music", "fan", "hammer", "compressed_air", "beeper")
_NOISE_PIECE_S = 60.0
_LEVEL = 0.25
"""Peak of a voice, so that noise at 0 dB beside it seldom reaches full scale."""


@dataclass(frozen=True, slots=True)
class Size:
    """How large a set: speakers of each family, times each says a phrase (each time otherwise),
    outside words of each speaker, minutes of talk and of machines and music."""

    speakers: int = 8
    takes: int = 2
    outside_words: int = 30
    talk_minutes: float = 2.0
    machine_minutes: float = 2.0


SMALL = Size(speakers=1, takes=1, outside_words=8, talk_minutes=0.0, machine_minutes=0.0)
"""For the test that measures a little of it anew."""


def make_set(
    folder: Path, cell: Cell, size: Size, families: Sequence[str] = HELD_OUT_FAMILIES
) -> Path:
    """Write the set into ``folder``; the manifest's path. The same arguments, the same set.

    Raises EngineFailed where one of the families is not here.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(SEED)
    phrases = tuple(phrases_of(cell.phrasebook).meanings)
    chosen: list[Speaker] = []
    for family in families:
        chosen += sample_of_speakers(speakers((family,)), size.speakers, SEED)
    outside = ordinary_words(5 * size.outside_words, SEED, without=phrases)
    requests: list[tuple[Request, str]] = []
    for speaker in chosen:
        for phrase in phrases:
            for take in range(size.takes):
                manner = any_manner(rng, 0.0 if take == 0 else 0.7)
                requests.append((Request(speaker, phrase, manner), phrase))
        words = rng.choice(len(outside), size.outside_words, replace=False)
        for word in sorted(int(at) for at in words):
            requests.append((Request(speaker, outside[word], any_manner(rng, 0.5)), ""))
    clips = rendered_clips(render([request for request, _ in requests]))
    rows: list[tuple[str, str, str, str, str]] = []
    for number, ((request, samples), (_, expected)) in enumerate(zip(clips, requests, strict=True)):
        name = f"{number:05d}.flac"
        write_clip(folder / name, Clip(_levelled(samples), LISTENING_RATE_HZ))
        rows.append((name, expected, str(request.speaker), "", request.speaker.family))
    if size.talk_minutes:
        rows += _talk(folder, chosen, phrases, size.talk_minutes)
    if size.machine_minutes:
        rows += _machines(folder, size.machine_minutes)
    manifest = folder / "manifest.csv"
    with manifest.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow((*COLUMNS, "family"))
        writer.writerows(rows)
    return manifest


def _talk(
    folder: Path, chosen: Sequence[Speaker], phrases: tuple[str, ...], minutes: float
) -> list[tuple[str, str, str, str, str]]:
    """Everyday sentences that hold no command, one speaker a file, with the pauses of talk."""
    rng = np.random.default_rng(SEED + 1)
    sentences = without_commands(EVERYDAY, phrases)
    rows = []
    each = round(minutes * 60.0 / len(chosen) * LISTENING_RATE_HZ)
    for number, speaker in enumerate(chosen):
        name = f"talk_{number:02d}.flac"
        with ClipWriter(folder / name, LISTENING_RATE_HZ) as writer:
            written = 0
            order = [int(at) for at in rng.permutation(len(sentences))]
            while written < each:
                batch = [Request(speaker, sentences[at]) for at in order[:24]]
                order = order[24:] + order[:24]
                for _, samples in rendered_clips(render(batch, workers=1)):
                    pause = round(float(rng.uniform(0.15, 1.2)) * LISTENING_RATE_HZ)
                    piece = np.pad(_levelled(samples), (0, pause))[: each - written]
                    writer.append(piece)
                    written += len(piece)
        rows.append((name, "", str(speaker), "talk", speaker.family))
    return rows


def _machines(folder: Path, minutes: float) -> list[tuple[str, str, str, str, str]]:
    rows = []
    pieces = max(1, round(minutes * 60.0 / _NOISE_PIECE_S / len(_MACHINES_AND_MUSIC)))
    for name in _MACHINES_AND_MUSIC:
        file = f"{name}.flac"
        with ClipWriter(folder / file, LISTENING_RATE_HZ) as writer:
            for piece in range(pieces):
                writer.append(noise(name, _NOISE_PIECE_S, SEED + piece))
        rows.append((file, "", "", "machines and music", ""))
    return rows


def _levelled(samples: Samples) -> Samples:
    highest = float(np.abs(samples).max())
    levelled: Samples = (samples * (_LEVEL / max(highest, 1e-6))).astype(np.float32)
    return levelled
