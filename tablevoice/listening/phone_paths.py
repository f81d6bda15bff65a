"""How probable phone sequences are, given the network's phones step by step.

Pure: the forward sum of connectionist temporal classification (A. Graves et al., ICML
2006, from memory), many sequences at once. Called by the second opinion.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_NEVER = -1e9


def log_likelihoods(
    log_probabilities: NDArray[np.floating], sequences: Sequence[Sequence[int]]
) -> NDArray[np.float64]:
    """Natural logarithm of each sequence's probability, shape ``(len(sequences),)``.

    ``log_probabilities``: shape ``(steps, columns)``, column 0 is the blank; ``sequences``
    of columns, none empty.
    """
    steps = np.asarray(log_probabilities, np.float64)
    longest = max(map(len, sequences))
    labels = np.zeros((len(sequences), 2 * longest + 1), np.int64)
    for row, sequence in zip(labels, sequences, strict=True):
        row[1 : 2 * len(sequence) : 2] = sequence
    lengths = np.array([2 * len(sequence) + 1 for sequence in sequences])
    may_skip = np.zeros(labels.shape, bool)
    may_skip[:, 3::2] = labels[:, 3::2] != labels[:, 1:-2:2]
    ahead = np.full(labels.shape, _NEVER)
    ahead[:, 0] = steps[0, 0]
    ahead[:, 1] = steps[0][labels[:, 1]]
    for step in steps[1:]:
        one = np.full(ahead.shape, _NEVER)
        one[:, 1:] = ahead[:, :-1]
        two = np.full(ahead.shape, _NEVER)
        two[:, 2:] = ahead[:, :-2]
        two[~may_skip] = _NEVER
        ahead = np.logaddexp(np.logaddexp(ahead, one), two) + step[labels]
    rows = np.arange(len(sequences))
    return np.asarray(np.logaddexp(ahead[rows, lengths - 1], ahead[rows, lengths - 2]))


def best_path(log_probabilities: NDArray[np.floating]) -> tuple[float, int]:
    """Log probability of the likeliest path of any phones, and how many phones it has."""
    columns = np.argmax(log_probabilities, axis=1)
    changes = np.concatenate(([True], columns[1:] != columns[:-1]))
    return float(np.max(log_probabilities, axis=1).sum()), int(((columns > 0) & changes).sum())
