"""Names the state of a cell and of the program, as far as what is heard depends on it.

Knows which files of the package listen. The run makes the keys of trials of it, and a worker
checks by it that it is the program that was asked for.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from tablevoice import __version__
from tablevoice.cell import Cell
from tablevoice.evaluation.phrases import phrases_of
from tablevoice.listening.tuned_file import tuned_path

_SOURCES = (
    "listening", "acoustics", "corpora/noises.py", "corpora/music.py", "evaluation/stimulus.py",
    "evaluation/trials.py",
)  # fmt: skip


def cell_fingerprint(cell: Cell) -> str:
    """Changes when anything changes that a trial's outcome depends on, sounds apart.

    The listening part of the cell file, its phrases, its tuned file and the program itself:
    a trial kept from before such a change must not be taken for one of now.
    """
    digest = hashlib.sha256(__version__.encode())
    phrases = phrases_of(cell.phrasebook)
    parts = (sorted(phrases.meanings.items()), phrases.standing, cell.recogniser, cell.listening,
             cell.phrasebook.language, sorted(cell.phrasebook.pronunciations.items()))  # fmt: skip
    digest.update(repr(parts).encode())
    tuned = cell.listening.tuned or tuned_path(cell.path)
    if tuned.is_file():
        digest.update(tuned.read_bytes())
    package = Path(__file__).resolve().parent.parent
    for name in _SOURCES:
        place = package / name
        inside = (*place.glob("*.py"), *place.glob("models/*"))
        for source in sorted(inside) if place.is_dir() else [place]:
            digest.update(source.read_bytes())
    return digest.hexdigest()[:24]
