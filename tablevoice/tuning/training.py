"""Learns what rows of evidence are worth, and finds out how well on voices it has not learnt from.

Knows rows, what was said and which family of voices said it; no sound and no file. Each
family is held out in turn: what the others teach is tried on it, and only these trials
calibrate the probabilities and make the curves. The final network learns from all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tablevoice.errors import EngineFailed
from tablevoice.listening.certainty import PRIOR_ODDS
from tablevoice.listening.fusion import Fusion, fused
from tablevoice.listening.tuned_file import softmax
from tablevoice.tuning.examples import Example

HIDDEN, MEMBERS, ROUNDS, DECAY = 64, 3, 25, 3e-2
OUTSIDE_SHARES = {"word": 0.36, "sentence": 0.22, "alone": 0.12, "line": 0.10, "carried": 0.07,
                  "near": 0.06, "noise": 0.04, "part": 0.03}  # fmt: skip
"""What is heard at a table beside commands, an assumption about tables: mostly other words."""

Rows = NDArray[np.float32]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Member:
    """``(columns, hidden)``, ``(hidden,)``, ``(hidden, classes)`` and ``(classes,)``."""

    first: Floats
    first_bias: Floats
    second: Floats
    second_bias: Floats

    def scores(self, rows: Floats) -> Floats:
        hidden = np.maximum(rows @ self.first + self.first_bias, 0.0)
        return np.asarray(hidden @ self.second + self.second_bias)


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Members that are averaged; rows are brought to mean 0 and deviation 1 first.

    ``untaught`` (``(columns, classes)``): what a row says by itself, added to what was learnt:
    voices are stranger than those one can learn from. ``sharpness`` and ``bias`` (of "none of
    them") calibrate the sum.
    """

    mean: Floats
    deviation: Floats
    members: tuple[Member, ...]
    untaught: Floats
    sharpness: float = 1.0
    bias: float = 0.0

    def raw_scores(self, rows: Rows) -> Floats:
        """``(n, classes)``, before calibration."""
        level = (rows - self.mean) / self.deviation
        taught = np.asarray(sum(member.scores(level) for member in self.members))
        return taught / len(self.members) + rows @ self.untaught

    def scores(self, rows: Rows) -> Floats:
        """``(n, classes)``: natural logarithms of the probabilities, up to a constant."""
        return calibrated(self.raw_scores(rows), self.sharpness, self.bias)


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """The final network, and what it gave for held-out families: ``held_out`` has one row of
    probabilities for each example in ``tried`` (numbers into the examples), ``scores`` their
    logarithms up to a constant."""

    network: Network
    tried: NDArray[np.int64]
    scores: Floats
    held_out: Floats


def calibrated(scores: Floats, sharpness: float, bias: float) -> Floats:
    changed = scores * sharpness
    changed[:, 0] += bias
    return changed


def classes_of(examples: Sequence[Example], phrases: Sequence[str]) -> NDArray[np.int64]:
    """0 for none of them, else 1 plus the number of the phrase.

    Raises EngineFailed naming the phrases that nobody could say: nothing is learnt of them.
    """
    number = {phrase: index + 1 for index, phrase in enumerate(phrases)}
    silent = sorted(set(phrases) - {example.phrase for example in examples})
    if silent:
        raise EngineFailed(
            f"No voice here could say {', '.join(map(repr, silent))}.",
            do="Say it with `tablevoice say`, and write it as it is spoken.",
        )
    return np.array([number[example.phrase] if example.phrase else 0 for example in examples])


def weights_of(examples: Sequence[Example]) -> Floats:
    """Each example's share in what a table hears: commands ``PRIOR_ODDS`` to 1 of all others."""
    counts: dict[str, int] = {}
    for example in examples:
        counts[example.group] = counts.get(example.group, 0) + 1
    present = sum(OUTSIDE_SHARES.get(group, 0.0) for group in counts)
    weights = []
    for example in examples:
        if example.phrase:
            share = PRIOR_ODDS
        else:
            share = OUTSIDE_SHARES.get(example.group, 0.0) / max(present, 1e-9)
        weights.append(share / counts[example.group])
    return np.array(weights) / sum(weights)


def learn(
    rows: Rows,
    classes: NDArray[np.int64],
    examples: Sequence[Example],
    seed: int,
    untaught: Floats | None = None,
) -> Learnt:
    """Train and calibrate. Raises EngineFailed when the extra ``tune`` is not installed.

    ``classes``: every number from 0 to the highest has examples (:func:`classes_of`).
    ``untaught``: see :class:`Network`; nothing where a row says nothing by itself.
    With a single family of voices nothing can be held out: every fifth example is.
    """
    families = np.array([example.family for example in examples])
    voices = sorted(set(families) - {"person", "nobody"})
    turns: list[NDArray[np.bool_]]
    fifth = np.arange(len(examples)) % 5
    if len(voices) > 1:
        # Noise alone has no voice: a share of it is tried with each family, one machine whole.
        share = np.array([example.seed for example in examples]) % len(voices)
        turns = [
            (families == voice) | ((families == "nobody") & (share == turn))
            for turn, voice in enumerate(voices)
        ]
    else:
        turns = [(fifth == turn) & (families != "person") for turn in range(5)]
    count = int(classes.max()) + 1
    if untaught is None:
        untaught = np.zeros((rows.shape[1], count))
    raw = np.zeros((len(examples), count))
    tried = np.zeros(len(examples), bool)
    for turn in turns:
        taught = ~turn
        if not turn.any() or len(set(classes[taught])) < count:
            continue
        raw[turn] = _trained(
            rows[taught], classes[taught], untaught, 1, seed
        ).raw_scores(rows[turn])
        tried |= turn
    which = np.flatnonzero(tried)
    sharpness, bias = _calibration(
        raw[which], classes[which], weights_of([examples[int(index)] for index in which])
    )
    final = _trained(rows, classes, untaught, MEMBERS, seed)
    network = replace(final, sharpness=sharpness, bias=bias)
    scores = calibrated(raw[which], sharpness, bias)
    return Learnt(network, which, scores, softmax(scores))


def learn_fusion(
    scores: Floats, grammar: NDArray[np.floating], classes: NDArray[np.int64],
    examples: Sequence[Example],
) -> tuple[Fusion, Floats]:
    """How the grammar's word is to be weighed, and held-out probabilities of both together.

    ``scores``: calibrated scores by sound of held-out examples. Each half is tried with what
    the other half gives; the fusion that is returned is of all.
    """  # fmt: skip
    weights = weights_of(examples)
    half = np.arange(len(classes)) % 2 == 0
    tried = np.zeros_like(scores)
    for known in (half, ~half):
        fusion = _best_fusion(scores[known], grammar[known], classes[known], weights[known])
        tried[~known] = softmax(fused(scores[~known], grammar[~known], fusion))
    return _best_fusion(scores, grammar, classes, weights), tried


def _best_fusion(
    scores: Floats, grammar: NDArray[np.floating], classes: NDArray[np.int64], weights: Floats
) -> Fusion:
    from scipy.optimize import minimize

    index = np.arange(len(classes))

    def loss(values: NDArray[np.float64]) -> float:
        chances = softmax(fused(scores, grammar, Fusion(*map(float, values))))
        return float(-(weights * np.log(chances[index, classes] + 1e-9)).sum())

    # That the grammar heard the phrase too must never count against it.
    bounds = [(0.2, 3.0), (0.0, 5.0), (0.0, 5.0), (-5.0, 5.0), (-5.0, 5.0)]
    found = minimize(loss, np.array([1.0, 0.5, 0.2, 0.0, 0.0]), method="Nelder-Mead",
                     bounds=bounds, options={"maxiter": 2000})  # fmt: skip
    return Fusion(*(round(float(value), 5) for value in found.x))


def _trained(
    rows: Rows, classes: NDArray[np.int64], untaught: Floats, members: int, seed: int
) -> Network:
    MLPClassifier = learner()  # noqa: N806
    mean = rows.mean(axis=0).astype(np.float64)
    deviation = np.maximum(rows.std(axis=0).astype(np.float64), 1e-3)
    level = (rows - mean) / deviation
    made = []
    for number in range(members):
        pupil = MLPClassifier(
            (HIDDEN,), alpha=DECAY, max_iter=ROUNDS, learning_rate_init=2e-3,
            random_state=seed + number,
        )  # fmt: skip
        pupil.fit(level, classes)
        (first, second), (first_bias, second_bias) = pupil.coefs_, pupil.intercepts_
        if second.shape[1] == 1:  # two classes: the library keeps one column
            second = np.concatenate((np.zeros_like(second), second), axis=1)
            second_bias = np.concatenate(([0.0], second_bias))
        made.append(Member(first, first_bias, second, second_bias))
    return Network(mean, deviation, tuple(made), untaught)


def _calibration(
    scores: Floats, classes: NDArray[np.int64], weights: Floats
) -> tuple[float, float]:
    """Sharpness and bias that make the held-out probabilities the likeliest."""
    from scipy.optimize import minimize

    index = np.arange(len(classes))

    def loss(values: NDArray[np.float64]) -> float:
        chances = softmax(calibrated(scores, float(np.exp(values[0])), float(values[1])))
        return float(-(weights * np.log(chances[index, classes] + 1e-9)).sum())

    found = minimize(loss, np.zeros(2), method="Nelder-Mead")
    return float(np.exp(found.x[0])), float(found.x[1])


def learner() -> Any:
    """The class that learns. Raises EngineFailed where the extra ``tune`` is not installed."""
    import warnings

    try:
        from sklearn.exceptions import ConvergenceWarning
        from sklearn.neural_network import MLPClassifier
    except ImportError as error:
        raise EngineFailed(
            "scikit-learn is not here, and nothing can be learnt without it.",
            do="Install what tuning needs: pip install 'tablevoice[tune]'.",
        ) from error
    warnings.filterwarnings("ignore", category=ConvergenceWarning)
    return MLPClassifier
