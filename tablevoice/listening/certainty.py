"""Turns the evidence of the sound into a probability that the phrase was really said.

Knows one number, the log-likelihood ratio (in nats a frame) of a phrase against a free
loop of phones, and the logistic curve that was fitted to it. ``benchmarks/fit_certainty.py``
fits the curve and prints how it does on voices it was not fitted to.
"""

from __future__ import annotations

import math

SLOPE = 2.5
"""Change of the log odds for one nat a frame."""

MIDDLE = -1.0
"""The ratio at which a phrase is as likely said as not."""


def certainty_of(
    log_likelihood_ratio: float, *, slope: float = SLOPE, middle: float = MIDDLE
) -> float:
    """0 to 1; rises with the ratio."""
    odds = slope * (log_likelihood_ratio - middle)
    return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, odds))))
