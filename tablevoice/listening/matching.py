"""Holds what was heard against the phrases that are allowed now.

Pure text and numbers: knows no sound, no thresholds and no state. The judge decides what
its result is worth.
"""

from __future__ import annotations

from collections.abc import Mapping

from rapidfuzz.distance import Levenshtein

from tablevoice.model import Hypothesis, Match
from tablevoice.wording import normalise

LEAST_LIKENESS = 0.6
"""Below this two phrases have too little in common to be taken for each other at all."""

NOTHING = Match(meaning=None, phrase="", score=0.0, margin=0.0)


def likeness(one: str, other: str) -> float:
    """1 minus the Levenshtein distance over the longer length: 1.0 is equal, 0.0 nothing."""
    return float(Levenshtein.normalized_similarity(normalise(one), normalise(other)))


def match(hypothesis: Hypothesis, phrases: Mapping[str, str]) -> Match:
    """The meaning that fits best. ``phrases`` maps every phrase allowed now to its meaning.

    The score is the likeness times the certainty of the sound; the margin is the distance
    to the best phrase of another meaning, on the same scale, and 0 where two meanings
    fit equally well. A text that resembles nothing gets ``meaning=None``.
    """
    heard = normalise(hypothesis.text)
    if not heard:
        return NOTHING
    best: dict[str, tuple[float, str]] = {}
    for phrase, meaning in phrases.items():
        like = likeness(heard, phrase)
        if like > best.get(meaning, (-1.0, ""))[0]:
            best[meaning] = (like, phrase)
    # Sorted by name where equally good, so that the order of the mapping decides nothing.
    ranked = sorted((-like, meaning, phrase) for meaning, (like, phrase) in best.items())
    if not ranked or -ranked[0][0] < LEAST_LIKENESS:
        return NOTHING
    like, meaning, phrase = -ranked[0][0], ranked[0][1], ranked[0][2]
    next_like, runner_up = (-ranked[1][0], ranked[1][1]) if len(ranked) > 1 else (0.0, None)
    certainty = min(1.0, max(0.0, hypothesis.certainty))
    return Match(meaning, phrase, like * certainty, (like - next_like) * certainty, runner_up)
