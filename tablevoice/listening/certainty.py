"""Turns the evidence of the sound into a probability that the phrase was really said.

Knows one number, the log-likelihood ratio (in nats a frame) of a phrase against a free
loop of phones, and the logistic curve that was fitted to it. ``benchmarks/fit_certainty.py``
fits the curve and prints how it does on voices it was not fitted to.

Measured so (four espeak voices not fitted to, 13 phrases, 24 outside words or sentences,
pink noise; 95 % Wilson intervals):

=====  =========  ==========================  ==========================
SNR    certainty  right phrases               outside words
=====  =========  ==========================  ==========================
30 dB  >= 0.75    31 of 52 (46 % to 72 %)     10 of 96 (6 % to 18 %)
30 dB  >= 0.45    44 of 52 (73 % to 92 %)     31 of 96 (24 % to 42 %)
10 dB  >= 0.75    30 of 52 (44 % to 70 %)     25 of 96 (18 % to 36 %)
10 dB  >= 0.45    35 of 52 (54 % to 79 %)     53 of 96 (45 % to 65 %)
=====  =========  ==========================  ==========================

So it is a first opinion only: useful in quiet, weak in noise (at 5 dB it told nothing).

A second check costs nothing: a command that was really said is about all that was said,
at a speaker's pace. A grammar pressed upon a whole sentence fits its phrase into a part of
it, or drawls it. :func:`all_that_was_said` looks at both.
"""

from __future__ import annotations

import math
from dataclasses import replace

from tablevoice.model import Hypothesis

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


LEAST_COVERED = 0.6
SLOW_BASE_S, SLOW_PHONE_S = 0.5, 0.2
"""A phrase is drawled when it lasts longer than the base and so much for each phone (the
base since the aligner gives some silence to a short word).

Of 79 words said by ten espeak voices in shop noise one is doubted by the two rules; of 120
outside words and sentences that the grammar took for a phrase, 52."""

_DOUBTED = 0.15
"""What is left of a certainty when the phrase cannot have been all that was said: below
the least that anybody is asked about."""


def all_that_was_said(hypothesis: Hypothesis, speech_s: float) -> Hypothesis:
    """The hypothesis, doubted where it cannot be all that was said in ``speech_s`` of speech.

    Looks at the evidence ``phrase_s`` (how much of the sound the phrase explains) and
    ``phones`` (how many it has); leaves alone what has neither.
    """
    phrase_s = hypothesis.evidence.get("phrase_s")
    if phrase_s is None or speech_s <= 0.0:
        return hypothesis
    covered = phrase_s / speech_s
    phones = hypothesis.evidence.get("phones")
    drawled = phones is not None and phrase_s > SLOW_BASE_S + SLOW_PHONE_S * phones
    evidence = {**hypothesis.evidence, "covered": round(covered, 3)}
    if covered >= LEAST_COVERED and not drawled:
        return replace(hypothesis, evidence=evidence)
    return replace(hypothesis, evidence=evidence, certainty=hypothesis.certainty * _DOUBTED)
