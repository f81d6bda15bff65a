"""Makes machines, and music, that nobody speaks through: six seconds each, every one another.

Knows the makers of ``tablevoice.corpora`` and which seeds are kept for tests. Writes rows of
16-bit samples (``machines.npy``, ``music.npy``) that ``spoiling.Noises`` draws from, beside
the noises that it makes itself. Needs NumPy alone. Usage:
``PYTHONPATH=<repository> python machines.py OUT --pieces 6000 --music 1200``.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
import types
from pathlib import Path

import numpy as np

ROW = 96_000
LEVEL = 3000
KINDS = {"servo": 0.2, "hammer": 0.15, "valve": 0.13, "beeper": 0.12, "compressed_air": 0.11,
         "motor": 0.08, "grinder": 0.08, "pump": 0.07, "fan": 0.06}
"""Which machines, the more often the more one of their sounds is like a word."""
FIRST_SEED = 2_000_000
"""Seeds below are kept for tests, and 20,261,125 is one: no run gets that far."""


def makers() -> types.ModuleType:
    """``tablevoice.corpora.noises``, without the sound files and spelling advice it may need."""
    files, near = types.ModuleType("clip_files"), types.ModuleType("nearest")
    files.read_clip = files.to_rate = near.advice = None  # type: ignore[attr-defined]
    sys.modules.setdefault("tablevoice.audio.clip_files", files)
    sys.modules.setdefault("tablevoice.nearest", near)
    from tablevoice.corpora import noises

    return noises


def made(task: tuple[str, int, int]) -> tuple[int, np.ndarray]:
    """One row: the noise at an RMS of ``LEVEL``, or as loud as its peaks allow."""
    kind, seed, number = task
    wave = makers().noise(kind, ROW / 16_000, seed).astype(np.float64)
    wave -= wave.mean()
    loudness = min(LEVEL / (wave.std() + 1e-9), 32_000 / (np.abs(wave).max() + 1e-9))
    return number, (wave * loudness).astype(np.int16)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--pieces", type=int, default=6000)
    parser.add_argument("--music", type=int, default=1200)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(3)
    began = time.time()
    kinds = random.choice(list(KINDS), options.pieces, p=list(KINDS.values()))
    with multiprocessing.Pool(options.workers) as pool:
        for name, what in (("music", ["music"] * options.music), ("machines", kinds.tolist())):
            rows = np.zeros((len(what), ROW), np.int16)
            tasks = [(kind, FIRST_SEED + number, number) for number, kind in enumerate(what)]
            for number, row in pool.imap_unordered(made, tasks, chunksize=8):
                rows[number] = row
            unfinished = options.out / f"{name}.part"
            with unfinished.open("wb") as file:
                np.save(file, rows)
            unfinished.rename(options.out / f"{name}.npy")  # the training waits for whole files
            print(f"{len(rows)} of {name} after {time.time() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
