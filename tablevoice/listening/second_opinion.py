"""A second listener beside the grammar: hears the sound of a whole word, through noise.

Knows the phrases that it was tuned for and nothing of what is expected now. The ear asks
it at the end of every utterance; what it says, alone or with the grammar's hypothesis,
becomes the calibrated probability of each phrase and of none of them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeAlias

import numpy as np

from tablevoice.listening.evidence import Commands, Row
from tablevoice.listening.fusion import fused
from tablevoice.listening.sound_encoder import SoundEncoder
from tablevoice.listening.tuned_file import TunedFile, softmax
from tablevoice.model import Hypothesis, Samples

Opinions: TypeAlias = Literal["grammar", "second_opinion", "both"]


@dataclass(frozen=True, slots=True)
class Opinion:
    """``probabilities``: phrase to probability, the rest to 1 is "none of them".

    ``scores``: what the sound alone says, natural logarithms, ``""`` for none of them.
    """

    probabilities: Mapping[str, float]
    scores: Mapping[str, float]


class SecondOpinion:
    """Listens to whole utterances on one core; not for several threads at once."""

    def __init__(
        self,
        path: Path,
        phrases: Collection[str],
        pronunciations: Mapping[str, tuple[str, ...]],
        *,
        alone: bool = False,
    ) -> None:
        """``alone``: leave the grammar's hypothesis out of account.

        Raises FileRefused for a tuned file that is missing, damaged or made for other phrases.
        """
        self._file = TunedFile(path)
        self._file.check(phrases, pronunciations)
        self._encoder = SoundEncoder()
        self._commands = Commands(self._file.phrases, pronunciations, self._encoder)
        self._alone = alone
        self._last: tuple[Samples, Row] | None = None

    @property
    def path(self) -> Path:
        """The tuned file."""
        return self._file.path

    @property
    def notes(self) -> Mapping[str, Any]:
        """What the tuned file says of itself: what it was made from, how well it did."""
        return self._file.notes

    def by_sound(self, samples: Samples) -> Mapping[str, float]:
        """Probabilities by the sound alone, of an utterance that may not be over."""
        row = self._row(samples)
        chances = softmax(self._file.by_sound.scores(row[None])[0])[1:]
        return {p: float(c) for p, c in zip(self._commands.phrases, chances, strict=True)}

    def opinion(self, samples: Samples, hypothesis: Hypothesis) -> Opinion:
        """``samples``: one utterance with a little of the room around it, 16 kHz, ``(n,)``."""
        row = self._row(samples)
        alone = self._file.by_sound.scores(row[None])
        together = alone
        if not self._alone:
            grammar = self._commands.grammar_row(hypothesis)[None]
            together = fused(alone, grammar, self._file.fusion)
        names = ("", *self._commands.phrases)
        probabilities = softmax(together[0])[1:]
        return Opinion(
            {
                phrase: float(value)
                for phrase, value in zip(self._commands.phrases, probabilities, strict=True)
            },
            {name: round(float(value), 3) for name, value in zip(names, alone[0], strict=True)},
        )

    def _row(self, samples: Samples) -> Row:
        """An utterance that ends because it was understood is not listened to twice."""
        if self._last is not None and np.array_equal(self._last[0], samples):
            return self._last[1]
        row = self._commands.row(self._encoder.listen(samples))
        self._last = samples, row
        return row
