"""The file that ``tablevoice tune`` writes beside a cell file: read, checked, never guessed at.

One ONNX file. Its graph turns rows of evidence into scores; its metadata says for which
phrases, how the grammar's word is weighed beside them, what it was made from, and how well
it did on voices it had not learnt from.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tablevoice.errors import FileRefused, Problem
from tablevoice.listening.fusion import Fusion
from tablevoice.listening.networks import opened
from tablevoice.listening.sound_encoder import encoder_mark
from tablevoice.wording import normalise

FORMAT = 1
NOTES = "tablevoice"
"""The metadata entry that holds everything that is not arithmetic, as JSON."""


def tuned_path(cell_file: Path) -> Path:
    """Where the tuned file of a cell lies unless the cell file says otherwise."""
    return cell_file.with_suffix(".tuned.onnx")


def phrases_mark(phrases: Collection[str], pronunciations: Mapping[str, tuple[str, ...]]) -> str:
    """Changes when the phrases or their sounds do: then the file has to be made again."""
    wanted = sorted({normalise(phrase) for phrase in phrases})
    sounds = {word: list(ways) for word, ways in sorted(pronunciations.items())}
    text = json.dumps([wanted, sounds], ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Head:
    """The network of the file: rows ``(n, columns)`` to scores ``(n, 1 + phrases)``.

    Scores are natural logarithms up to a constant; column 0 is "none of them".
    """

    session: Any
    name: str

    def scores(self, rows: NDArray[np.float32]) -> NDArray[np.float64]:
        # The runtime wants every input of the graph, those of the other heads too.
        fed = {
            given.name: np.zeros((len(rows), given.shape[-1]), np.float32)
            for given in self.session.get_inputs()
        }
        scores = self.session.run([f"{self.name}_scores"], fed | {self.name: rows})[0]
        return np.asarray(scores, np.float64)


class TunedFile:
    """An open tuned file. Raises FileRefused where it is not one, or one of another format."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            raw = path.read_bytes()
        except OSError as error:
            raise _refused(path, f"It cannot be read ({error.strerror}).") from error
        damaged = "It is not a tuned file, or it is damaged."
        try:
            session = opened(raw, quietly=True)
            notes = json.loads(session.get_modelmeta().custom_metadata_map[NOTES])
            made_as = notes["format"]
        except Exception as error:  # the runtime raises a dozen kinds, none of them documented
            raise _refused(path, damaged) from error
        if made_as != FORMAT:
            raise _refused(path, f"Its format is {made_as!r}, not {FORMAT}.")
        self.notes: Mapping[str, Any] = notes
        self.by_sound = Head(session, "second_opinion")
        try:
            self.fusion = Fusion(**{name: float(by) for name, by in notes["fusion"].items()})
            self.phrases: tuple[str, ...] = tuple(notes["phrases"])
            self._mark = str(notes["mark"])
            outputs = {out.name: out.shape[-1] for out in session.get_outputs()}
            whole = outputs[f"{self.by_sound.name}_scores"] == 1 + len(self.phrases)
        except (AttributeError, KeyError, TypeError, ValueError, IndexError) as error:
            raise _refused(path, damaged) from error
        if not whole:
            raise _refused(path, damaged)

    def check(
        self, phrases: Collection[str], pronunciations: Mapping[str, tuple[str, ...]]
    ) -> None:
        """Raises FileRefused when it was made for other phrases or sounds, or another encoder."""
        if self.notes.get("encoder") != encoder_mark():
            raise _refused(self.path, "It was made with another encoder than this version has.")
        if self._mark == phrases_mark(phrases, pronunciations):
            return
        now = {normalise(phrase) for phrase in phrases}
        added = sorted(now - set(self.phrases))
        gone = sorted(set(self.phrases) - now)
        changes = (("new", added), ("gone", gone))
        change = "; ".join(f"{what}: {', '.join(names)}" for what, names in changes if names)
        raise _refused(
            self.path,
            f"It was made for other phrases ({change or 'their pronunciations have changed'}).",
        )


def _refused(path: Path, what: str) -> FileRefused:
    return FileRefused([Problem(what, where=str(path), do="Make it again: tablevoice tune.")])


def softmax(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities along the last axis."""
    powers = np.exp(scores - scores.max(axis=-1, keepdims=True))
    return np.asarray(powers / powers.sum(axis=-1, keepdims=True))
