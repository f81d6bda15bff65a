"""Matching and judging against a reference edit distance and for every input."""

from __future__ import annotations

import Levenshtein
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.listening.judging import HOLD_ABOVE, JudgeOptions, decide, judge
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
        assert found.score >= HOLD_ABOVE


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


def test_a_hold_acted_on_with_less_than_an_answer_needs_says_so() -> None:
    for score, less in [(0.5, True), (0.8, False)]:
        judged = decide(Match("pause", "pause", score, score))
        assert (judged.verdict, judged.on_less_evidence) == (Verdict.ACT, less)
        assert judged.expected_costs == {}


# --- by probability ---------------------------------------------------------------

SHARES = st.dictionaries(
    st.sampled_from([*PHRASES, "hum", "umbrella"]), st.floats(0, 1), min_size=1
).map(lambda found: {key: p / max(1.0, sum(found.values())) for key, p in found.items()})


@given(SHARES, WORDS)
def test_the_score_is_the_sum_over_the_phrases_of_the_likeliest_meaning(
    probabilities: dict[str, float], text: str
) -> None:
    found = match(Hypothesis(text, 1.0, True), PHRASES, probabilities)
    sums: dict[str, float] = {}
    for phrase, meaning in PHRASES.items():
        sums[meaning] = sums.get(meaning, 0.0) + probabilities.get(phrase, 0.0)
    ranked = sorted(sums.values(), reverse=True)
    assert found.score == pytest.approx(ranked[0])
    if found.meaning is None:
        assert ranked[0] == 0
        return
    assert found.margin == pytest.approx(ranked[0] - ranked[1])
    assert sums[found.meaning] == ranked[0]
    assert PHRASES[found.phrase] == found.meaning
    assert found.meanings == pytest.approx({one: p for one, p in sums.items() if p > 0})
    # What belongs to phrases that are not allowed is none of them.
    assert sum(found.meanings.values()) <= 1 + 1e-9
    assert found == match(Hypothesis("", 0, True), dict(reversed(PHRASES.items())), probabilities)


def test_the_mass_of_a_phrase_that_is_not_allowed_now_is_nobodys() -> None:
    said = {"amber": 0.9, "hold on": 0.05}
    found = match(Hypothesis("amber", 1.0, True), {"hold on": "pause"}, said)
    assert (found.meaning, found.score, found.runner_up) == ("pause", 0.05, None)
    assert match(Hypothesis("amber", 1.0, True), {"teal": "teal"}, said).meaning is None


def test_without_probabilities_the_text_decides() -> None:
    nothing_known: tuple[dict[str, float] | None, ...] = (None, {})
    for none in nothing_known:
        assert match(Hypothesis("amber", 0.9, True), PHRASES, none).score == pytest.approx(0.9)


def test_a_phrase_that_could_mean_two_things_is_the_standing_command() -> None:
    for phrases in ({"Stop": "red", "stop!": "stop"}, {"stop!": "stop", "Stop": "red"}):
        found = match(Hypothesis("", 0, True), phrases, {"stop": 0.8})
        assert (found.meaning, dict(found.meanings)) == ("stop", {"stop": 0.8})


@pytest.mark.parametrize(
    "said", [{"amber": 1.2}, {"amber": -0.1}, {"amber": float("nan")}, {"amber": 0.7, "teal": 0.7}]
)
def test_what_is_no_probability_is_refused(said: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="no probabilities"):
        match(Hypothesis("amber", 1.0, True), PHRASES, said)
