"""Matching and judging against a reference edit distance and for every input."""

from __future__ import annotations

import Levenshtein
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.listening.judging import JudgeOptions, judge
from tablevoice.listening.matching import LEAST_LIKENESS, likeness, match
from tablevoice.model import Hypothesis, Match, StandingKind, Verdict
from tablevoice.wording import normalise

PHRASES = {"amber": "amber", "amber please": "amber", "violet": "violet", "hold on": "pause"}
WORDS = st.text("abcdeé -'!", max_size=12)
UNIT = st.floats(0, 1)


@given(WORDS, WORDS)
def test_likeness_is_one_minus_the_reference_edit_distance(one: str, other: str) -> None:
    # Reference: the PyPI package Levenshtein.
    a, b = normalise(one), normalise(other)
    longest = max(len(a), len(b))
    expected = 1.0 if not longest else 1 - Levenshtein.distance(a, b) / longest
    assert likeness(one, other) == pytest.approx(expected)


@given(st.text(max_size=40))
def test_normalising_twice_changes_nothing(text: str) -> None:
    assert normalise(normalise(text)) == normalise(text)


@given(st.sampled_from(sorted(PHRASES)), UNIT)
def test_an_exact_text_scores_its_certainty(phrase: str, certainty: float) -> None:
    found = match(Hypothesis(phrase.upper() + "!", certainty, True), PHRASES)
    assert (found.meaning, found.phrase) == (PHRASES[phrase], phrase)
    assert found.score == pytest.approx(certainty)
    assert 0 <= found.margin <= found.score


@given(WORDS, UNIT)
def test_a_match_is_within_bounds_and_does_not_depend_on_order(text: str, certainty: float) -> None:
    said = Hypothesis(text, certainty, True)
    found = match(said, PHRASES)
    assert found == match(said, dict(reversed(PHRASES.items())))
    assert 0 <= found.margin <= found.score <= 1
    assert found.meaning is None or found.score >= LEAST_LIKENESS * certainty


def test_two_meanings_that_fit_equally_well_leave_no_margin() -> None:
    found = match(Hypothesis("stop", 1.0, True), {"Stop": "a", "stop!": "b"})
    assert found.margin == 0
    assert judge(found) is Verdict.CONFIRM


MATCHES = st.builds(
    Match,
    st.sampled_from([None, "amber", *StandingKind.ALL]),
    st.just("x"),
    UNIT,
    UNIT,
    st.sampled_from([None, "violet", *StandingKind.ALL]),
)
ORDER = [Verdict.IGNORE, Verdict.ASK_AGAIN, Verdict.CONFIRM, Verdict.ACT]


@given(MATCHES, st.booleans())
def test_nothing_is_acted_on_below_the_thresholds(found: Match, during_speech: bool) -> None:
    verdict = judge(found, during_speech=during_speech)
    options = JudgeOptions()
    if found.meaning is None:
        assert verdict is Verdict.IGNORE
    if verdict is Verdict.ACT and found.meaning not in StandingKind.HOLDS:
        assert found.score >= options.act_above
        assert found.margin >= options.margin
        assert not during_speech
    if verdict is Verdict.ACT:
        assert found.score >= options.hold_above


@given(MATCHES, UNIT, st.booleans())
def test_a_second_opinion_never_makes_the_table_bolder(
    found: Match, opinion: float, during_speech: bool
) -> None:
    alone = judge(found, during_speech=during_speech)
    both = judge(found, during_speech=during_speech, second_opinion=opinion)
    assert ORDER.index(both) <= ORDER.index(alone)


@pytest.mark.parametrize(
    ("meaning", "score", "margin", "verdict"),
    [
        ("amber", 0.9, 0.6, Verdict.ACT),
        ("amber", 0.9, 0.1, Verdict.CONFIRM),
        ("amber", 0.5, 0.4, Verdict.CONFIRM),
        ("amber", 0.3, 0.3, Verdict.ASK_AGAIN),
        ("amber", 0.1, 0.1, Verdict.IGNORE),
        ("pause", 0.5, 0.4, Verdict.ACT),
        ("help", 0.5, 0.4, Verdict.CONFIRM),
    ],
)
def test_verdicts(meaning: str, score: float, margin: float, verdict: Verdict) -> None:
    assert judge(Match(meaning, meaning, score, margin)) is verdict
