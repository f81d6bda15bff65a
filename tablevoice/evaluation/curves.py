"""What a probability is worth: detection-error curves, false acts by threshold, reliability.

Pure numbers from results; draws nothing. All thresholds are on the probability that the
judge was given.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from tablevoice.evaluation.intervals import Share, wilson

BINS = 10
LEAST_DRAWN = 0.001
"""Shares below it are drawn as if they were so large: 0 lies at minus infinity on a DET axis."""


@dataclass(frozen=True, slots=True)
class DetPoint:
    """At this threshold: the share of words that score less, and of outside clips that do not."""

    threshold: float
    miss: float
    false_acceptance: float


@dataclass(frozen=True, slots=True)
class Bin:
    """Utterances whose probability lies from ``low`` to ``high``: how probable on the average,
    and how many were right."""

    low: float
    high: float
    mean_probability: float
    right: Share


@dataclass(frozen=True, slots=True)
class Reliability:
    """``brier``: mean squared error of the probabilities; ``calibration_error``: mean
    distance of the bins from the diagonal, weighted by their sizes (ECE)."""

    bins: tuple[Bin, ...]
    count: int
    brier: float | None
    calibration_error: float | None


def detection_curve(words: Sequence[float], outside: Sequence[float]) -> tuple[DetPoint, ...]:
    """Every threshold at which something changes, from accepting all to accepting nothing.

    ``words``: the probability that each word's own meaning got, 0 where it was not heard;
    ``outside``: the most that any meaning got in a clip without a word. Empty without both.
    """
    if not words or not outside:
        return ()
    said, other = sorted(words), sorted(outside)
    points = []
    below_said = below_other = 0
    for threshold in sorted({0.0, *said, *other}):
        while below_said < len(said) and said[below_said] < threshold:
            below_said += 1
        while below_other < len(other) and other[below_other] < threshold:
            below_other += 1
        points.append(
            DetPoint(threshold, below_said / len(said), 1.0 - below_other / len(other))
        )
    points.append(DetPoint(1.0 + 1e-9, 1.0, 0.0))
    return tuple(points)


def equal_error(curve: Sequence[DetPoint]) -> float | None:
    """Where misses and false acceptances are equally frequent, between the points beside it."""
    for before, after in itertools.pairwise(curve):
        gap_before = before.false_acceptance - before.miss
        gap_after = after.false_acceptance - after.miss
        if gap_before >= 0.0 >= gap_after:
            part = gap_before / (gap_before - gap_after) if gap_before != gap_after else 0.0
            return before.miss + part * (after.miss - before.miss)
    return None


def deviate(share: float) -> float:
    """The normal deviate of a share: the scale of a DET plot's axes (A. Martin et al., 1997)."""
    return NormalDist().inv_cdf(min(1.0 - LEAST_DRAWN, max(LEAST_DRAWN, share)))


def reliability(verdicts: Sequence[tuple[float, bool]]) -> Reliability:
    """``verdicts``: a probability (0 to 1) each, and whether what it was given for was true."""
    filled: list[list[tuple[float, bool]]] = [[] for _ in range(BINS)]
    for probability, right in verdicts:
        filled[min(BINS - 1, int(probability * BINS))].append((probability, right))
    bins = tuple(
        Bin(number / BINS, (number + 1) / BINS,
            sum(probability for probability, _ in inside) / len(inside),
            wilson(sum(right for _, right in inside), len(inside)))
        for number, inside in enumerate(filled)
        if inside
    )  # fmt: skip
    count = len(verdicts)
    if not count:
        return Reliability((), 0, None, None)
    brier = sum((probability - right) ** 2 for probability, right in verdicts) / count
    error = sum(
        one.right.of * abs(one.mean_probability - one.right.count / one.right.of) for one in bins
    )
    return Reliability(bins, count, brier, error / count)
