"""Holds what was heard against the phrases that are allowed now.

Pure text and numbers: knows no sound, no thresholds and no state. The judge decides what
its result is worth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from rapidfuzz.distance import Levenshtein

from tablevoice.model import Hypothesis, Match, StandingKind
from tablevoice.wording import normalise

LEAST_LIKENESS = 0.6
"""Below this two phrases have too little in common to be taken for each other at all."""

ROUNDING = 1e-3
"""Probabilities that sum to so much more than 1 are rounding, not a mistake."""

NOTHING = Match(meaning=None, phrase="", score=0.0, margin=0.0)


def likeness(one: str, other: str) -> float:
    """1 minus the Levenshtein distance over the longer length: 1.0 is equal, 0.0 nothing."""
    return float(Levenshtein.normalized_similarity(normalise(one), normalise(other)))


def match(
    hypothesis: Hypothesis,
    phrases: Mapping[str, str],
    probabilities: Mapping[str, float] | None = None,
) -> Match:
    """The meaning that fits best. ``phrases`` maps every phrase allowed now to its meaning.

    ``probabilities`` (0 to 1, by normalised phrase) decide where they are given: the score is
    the sum over the phrases of the likeliest meaning, the margin the distance to the next
    meaning. What belongs to a phrase that is not allowed now counts as "none of them".

    Without them the text decides: the score is the likeness times the certainty of the
    sound, the margin the distance to the best phrase of another meaning on the same scale,
    0 where two meanings fit equally well. What resembles nothing gets ``meaning=None``.
    Raises ValueError for probabilities that are none.
    """
    if probabilities:
        return _by_probability(phrases, probabilities)
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


def _by_probability(phrases: Mapping[str, str], probabilities: Mapping[str, float]) -> Match:
    total = sum(probabilities.values())
    if not all(0.0 <= p <= 1.0 + ROUNDING for p in probabilities.values()) or not (
        math.isfinite(total) and total <= 1.0 + ROUNDING
    ):
        raise ValueError(f"these are no probabilities of one thing: {dict(probabilities)!r}")
    allowed: dict[str, tuple[str, str]] = {}
    for phrase, meaning in sorted(phrases.items()):
        key = normalise(phrase)
        # One phrase cannot mean two things; a standing command wins, as it does where
        # the phrases are put together.
        if key not in allowed or meaning in StandingKind.ALL:
            allowed[key] = (meaning, phrase)
    meanings: dict[str, float] = {}
    likeliest: dict[str, tuple[float, str]] = {}
    for key, (meaning, phrase) in allowed.items():
        p = probabilities.get(key, 0.0) / max(1.0, total)
        if p <= 0.0:
            continue
        meanings[meaning] = meanings.get(meaning, 0.0) + p
        if p > likeliest.get(meaning, (0.0, ""))[0]:
            likeliest[meaning] = (p, phrase)
    if not meanings:
        return NOTHING
    ranked = sorted(meanings, key=lambda one: (-meanings[one], one))
    best, runner_up = ranked[0], ranked[1] if len(ranked) > 1 else None
    score = min(1.0, meanings[best])
    margin = score - (meanings[runner_up] if runner_up is not None else 0.0)
    return Match(
        best, likeliest[best][1], score, max(0.0, margin), runner_up,
        MappingProxyType(meanings),
        MappingProxyType({meaning: phrase for meaning, (_, phrase) in likeliest.items()}),
    )  # fmt: skip
