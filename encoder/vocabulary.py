"""Writes the directions of the commonest English words for the second opinion.

    PYTHONPATH=. python encoder/vocabulary.py tablevoice/listening/models/vocabulary.npz
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from tablevoice.corpora.wordlists import words_by_frequency
from tablevoice.listening.dictionary import dictionary
from tablevoice.listening.sound_encoder import SoundEncoder

WORDS = 16_000


def main() -> None:
    known = dictionary()
    words = words_by_frequency()[:WORDS]
    senses = SoundEncoder().spell([known[word][0] for word in words])
    np.savez_compressed(
        Path(sys.argv[1]), words=np.array("\n".join(words)), senses=senses.astype(np.float16))


if __name__ == "__main__":
    main()
