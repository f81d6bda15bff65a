"""A process that shares a store with others: ``python -m tests.speech.store_writer FOLDER MB N``.

Puts and gets ``N`` entries over and over (for ever when N is 0), and fails when one that
it gets back is not what its key says.
"""

from __future__ import annotations

import sys
from itertools import count
from pathlib import Path

import numpy as np

from tablevoice.model import Clip
from tablevoice.speech.store import PreparedStore

KEYS = 40


def key_of(number: int) -> str:
    return f"{number:064x}"


def clip_of(number: int) -> Clip:
    """Noise that belongs to this number: hard to compress, and told apart from any other."""
    noise = np.random.default_rng(number).uniform(-0.5, 0.5, 8_000 + 100 * number)
    return Clip(noise.astype(np.float32), 22_050)


def is_clip_of(number: int, clip: Clip) -> bool:
    wanted = clip_of(number).samples
    return len(wanted) == len(clip.samples) and bool(
        np.max(np.abs(wanted - clip.samples)) <= 0.5001 / 32_768
    )


def main(folder: Path, max_mb: float, rounds: int) -> int:
    store = PreparedStore(folder, max_mb, memory_mb=0.0)
    print("open", flush=True)
    for step in count() if rounds == 0 else range(rounds):
        number = (step * 7) % KEYS
        store.put(key_of(number), clip_of(number))
        other = (step * 11) % KEYS
        got = store.get(key_of(other))
        if got is not None and not is_clip_of(other, got):
            print(f"entry {other} is not what was put", flush=True)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])))
