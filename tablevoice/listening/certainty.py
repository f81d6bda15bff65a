"""Turns the evidence of the sound into a probability that the phrase was really said.

Knows one number, the log-likelihood ratio (in nats a frame) of a phrase against a free
loop of phones, and the logistic curve that was fitted to it. ``benchmarks/fit_certainty.py``
fits the curve and prints how it does on voices it was not fitted to.
"""

from __future__ import annotations

import math

SLOPE = 2.38
"""Change of the log odds for one nat a frame (fitted)."""

MIDDLE = -0.70
"""The ratio at which a phrase speaks as much for as against itself (fitted, equal classes)."""

PRIOR_ODDS = 3.0
"""Before anything is heard: three of four sounds after a question are an answer to it.

An assumption about tables, not a measurement: it moves the curve, not the order.
"""


def certainty_of(
    log_likelihood_ratio: float, *, slope: float = SLOPE, middle: float = MIDDLE
) -> float:
    """0 to 1; rises with the ratio."""
    odds = slope * (log_likelihood_ratio - middle) + math.log(PRIOR_ODDS)
    return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, odds))))
