"""How sure a counted share or rate is: Wilson's score interval, Poisson's exact one.

Pure numbers. The results put an interval beside everything that was counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """``count`` of ``of``, with the bounds of the interval; all ``None`` where ``of`` is 0."""

    count: int
    of: int
    share: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class HourlyRate:
    """``count`` events in ``hours``: events an hour and their bounds (``None`` for no time)."""

    count: int
    hours: float
    per_hour: float | None
    low: float | None
    high: float | None


def wilson(count: int, of: int, confidence: float = CONFIDENCE) -> Share:
    """Wilson's score interval of a proportion (E. B. Wilson, JASA 22, 1927)."""
    if not 0 <= count <= of:
        raise ValueError(f"{count} of {of} is no share")
    if of == 0:
        return Share(0, 0, None, None, None)
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    share = count / of
    spread = 1.0 + z * z / of
    middle = (share + z * z / (2.0 * of)) / spread
    half = z / spread * math.sqrt(share * (1.0 - share) / of + z * z / (4.0 * of * of))
    # At the ends the interval touches 0 and 1 exactly; rounding must not push it past them.
    low = 0.0 if count == 0 else max(0.0, middle - half)
    high = 1.0 if count == of else min(1.0, middle + half)
    return Share(count, of, share, low, high)


def hourly(count: int, hours: float, confidence: float = CONFIDENCE) -> HourlyRate:
    """Exact (Garwood) interval of a Poisson rate.

    For no events the upper bound is one-sided, as in the rule of three: 3.0 over the hours
    at 95 %. The two-sided interval would give 3.7 and speak of a lower bound that is none.
    """
    if count < 0 or hours < 0.0:
        raise ValueError(f"{count} events in {hours} hours is no rate")
    if hours == 0.0:
        return HourlyRate(count, 0.0, None, None, None)
    tail = (1.0 - confidence) / 2.0
    if count == 0:
        return HourlyRate(0, hours, 0.0, 0.0, -math.log(1.0 - confidence) / hours)
    low = _mean_where(lambda mean: 1.0 - _at_most(count - 1, mean), tail, count)
    high = _mean_where(lambda mean: 1.0 - _at_most(count, mean), 1.0 - tail, count)
    return HourlyRate(count, hours, count / hours, low / hours, high / hours)


def quantile(values: Sequence[float], share: float) -> float | None:
    """Linear interpolation between the order statistics; ``None`` of nothing."""
    if not values:
        return None
    ordered = sorted(values)
    at = share * (len(ordered) - 1)
    below = math.floor(at)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (at - below) * (ordered[above] - ordered[below])


def _at_most(count: int, mean: float) -> float:
    """Probability of at most ``count`` events where ``mean`` are expected."""
    if mean <= 0.0:
        return 1.0
    logs = [number * math.log(mean) - mean - math.lgamma(number + 1) for number in range(count + 1)]
    highest = max(logs)
    return min(1.0, math.exp(highest) * math.fsum(math.exp(log - highest) for log in logs))


def _mean_where(rising: Callable[[float], float], wanted: float, count: int) -> float:
    low, high = 0.0, count + 10.0 * math.sqrt(count + 1.0) + 10.0
    for _ in range(80):
        middle = (low + high) / 2.0
        if rising(middle) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
