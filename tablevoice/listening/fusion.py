"""Makes one opinion of two: what the sound says, and which phrase the grammar heard.

Pure. Five numbers weigh the two against each other, and ``tablevoice tune`` finds those that
make what held-out voices said the likeliest. Small as the grammar's part mostly comes out,
the sound must be able to carry a word alone: in heavy noise the grammar hears others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fusion:
    """Weights on natural logarithms.

    ``sound``: of the scores by sound. ``agreement`` and ``surety``: for the phrase that the
    grammar heard, always and by its ratio against the filler. ``nobody`` and ``silence``:
    for "none of them", always and where the grammar heard nothing.
    """

    sound: float = 1.0
    agreement: float = 0.0
    surety: float = 0.0
    nobody: float = 0.0
    silence: float = 0.0


def fused(scores: Floats, grammar: NDArray[np.floating], fusion: Fusion) -> Floats:
    """Scores of both together, shape ``(n, 1 + phrases)``, column 0 none of them.

    ``scores``: by sound, the same shape. ``grammar``: rows of
    :meth:`tablevoice.listening.evidence.Commands.grammar_row`, ``(n, 2 × phrases + 2)``.
    """
    phrases = scores.shape[1] - 1
    agrees, surely = grammar[:, :phrases], grammar[:, phrases : 2 * phrases]
    empty = grammar[:, 2 * phrases]
    together = scores * fusion.sound
    together[:, 1:] += agrees * fusion.agreement + surely * fusion.surety
    together[:, 0] += fusion.nobody + empty * fusion.silence
    return np.asarray(together, np.float64)
