"""All that speaks for and against each phrase, as one row of numbers.

Pure: a sound that the encoder has listened to and, where there is one, the grammar's
hypothesis go in. What the numbers are worth is learnt by ``tablevoice tune``; the second
opinion and the tuning build the very same row here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tablevoice.listening.dictionary import ways_of_saying
from tablevoice.listening.phone_paths import best_path, log_likelihoods
from tablevoice.listening.sound_encoder import Sound, SoundEncoder, ordinary_senses, phone_numbers
from tablevoice.model import Hypothesis
from tablevoice.wording import normalise

_SAME_SOUND = 0.93
"""Ordinary words whose direction is that near to a command's are the command itself, or a
homophone that nobody could tell from it."""

_WORST_PATH = -8.0
_SCALE = np.array([10.0, 10.0, 10.0, 1.0, 5.0, 20.0, 50.0])
"""Brings the general numbers to the size of the others."""

_NEARNESS = 10.0
"""What the differences of directions are divided by, so that most lie within ±1."""

Row = NDArray[np.float32]


def untaught_weights(phrases: int) -> NDArray[np.float64]:
    """What a row says of each phrase before anything is learnt, ``(2 × phrases + 7, 1 + phrases)``.

    Rows times these are natural logarithms up to a constant: how much nearer the phrase is
    than all ordinary words. Column 0, none of them, stays 0.
    """
    weights = np.zeros((2 * phrases + len(_SCALE), 1 + phrases))
    index = np.arange(phrases)
    weights[index, 1 + index] = _NEARNESS
    return weights


class Commands:
    """The phrases that may be said, and how each of them should sound.

    ``phrases`` in the order of the rows' columns. Raises RecogniserUnavailable for a word
    that no dictionary has.
    """

    def __init__(
        self,
        phrases: Sequence[str],
        pronunciations: Mapping[str, tuple[str, ...]],
        encoder: SoundEncoder,
    ) -> None:
        self.phrases = tuple(dict.fromkeys(normalise(phrase) for phrase in phrases))
        ways = [
            (index, way)
            for index, phrase in enumerate(self.phrases)
            for way in ways_of_saying(phrase, pronunciations)
        ]
        self._phrase_of = np.array([index for index, _ in ways])
        self._sequences = [phone_numbers(way) for _, way in ways]
        self._lengths = np.array([len(sequence) for sequence in self._sequences])
        self._senses = encoder.spell([way for _, way in ways])
        self._sharpness = encoder.sharpness
        self._nobody = encoder.nobody
        _, ordinary = ordinary_senses()
        self._ordinary = ordinary[(ordinary @ self._senses.T).max(axis=1) < _SAME_SOUND]

    def row(self, sound: Sound) -> Row:
        """What the sound alone says, shape ``(2 × phrases + 7,)``.

        For each phrase how much nearer it is than the ordinary words of English are taken
        together, and how likely its phones are against the best of any phones; then seven
        numbers of the sound itself.
        """
        near = sound.said @ self._senses.T * self._sharpness
        path, phones = best_path(sound.phones)
        likely = (log_likelihoods(sound.phones, self._sequences) - path) / self._lengths
        best_near, best_likely = self._best(near), self._best(likely)
        others = sound.said @ self._ordinary.T * self._sharpness
        most = float(others.max())
        ordinary = most + float(np.log(np.exp(others - most).sum()))
        steps = len(sound.phones)
        voiced = steps - float(np.exp(sound.phones[:, 0].astype(np.float64)).sum())
        general = np.array([
            ordinary, most, float(sound.said @ self._nobody) * self._sharpness,
            path / steps, phones, voiced, steps,
        ]) / _SCALE  # fmt: skip
        relative = (best_near - ordinary) / _NEARNESS
        return np.concatenate(
            (relative, np.maximum(best_likely, _WORST_PATH), general)
        ).astype(np.float32)  # fmt: skip

    def grammar_row(self, hypothesis: Hypothesis) -> Row:
        """What the grammar says, shape ``(2 × phrases + 2,)``: its phrase, and how surely."""
        agrees = np.array([phrase == hypothesis.text for phrase in self.phrases], np.float32)
        ratio = float(np.clip(hypothesis.evidence.get("log_likelihood_ratio", -3.0), -4.0, 2.0))
        covered = float(np.clip(hypothesis.evidence.get("covered", 1.0), 0.0, 1.5))
        rest = np.array([0.0 if hypothesis.text else 1.0, covered], np.float32)
        return np.concatenate((agrees, agrees * (ratio + 1.0), rest)).astype(np.float32)

    def _best(self, values: NDArray[np.floating]) -> NDArray[np.float64]:
        best = np.full(len(self.phrases), -1e9)
        np.maximum.at(best, self._phrase_of, values)
        return best
