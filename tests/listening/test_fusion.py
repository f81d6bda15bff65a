"""Two opinions made one: what agreement adds, and what it leaves alone."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import log_softmax

from tablevoice.listening.fusion import Fusion, fused

PHRASES = 4
SCORES = st.lists(
    st.floats(-20, 20, allow_nan=False), min_size=PHRASES + 1, max_size=PHRASES + 1
).map(lambda values: np.array([values]))
WEIGHTS = st.floats(0.1, 3.0, allow_nan=False)


def grammar_row(heard: int | None, ratio: float = 0.0) -> np.ndarray:
    """As evidence gives it: the phrase, the phrase by its ratio, nothing heard, coverage."""
    agrees = np.zeros(PHRASES)
    if heard is not None:
        agrees[heard] = 1.0
    rest = [0.0 if heard is not None else 1.0, 1.0]
    return np.concatenate((agrees, agrees * (ratio + 1.0), rest))[None]


@given(SCORES, st.integers(0, PHRASES - 1), WEIGHTS)
def test_agreement_raises_the_odds_of_its_phrase_by_its_weight(
    scores: np.ndarray, heard: int, weight: float
) -> None:
    before = log_softmax(scores, axis=1)[0]
    after = log_softmax(fused(scores, grammar_row(heard), Fusion(agreement=weight)), axis=1)[0]
    for other in range(PHRASES + 1):
        if other != heard + 1:
            moved = (after[heard + 1] - after[other]) - (before[heard + 1] - before[other])
            assert np.isclose(moved, weight, atol=1e-6)


@given(SCORES, st.one_of(st.none(), st.integers(0, PHRASES - 1)), st.floats(-3, 1))
def test_without_weights_the_sound_alone_speaks(
    scores: np.ndarray, heard: int | None, ratio: float
) -> None:
    kept = scores.copy()
    assert np.array_equal(fused(scores, grammar_row(heard, ratio), Fusion()), kept)
    assert np.array_equal(scores, kept), "what was given stays as it was"


@given(SCORES, st.integers(0, PHRASES - 1), st.floats(-3, 1), st.floats(0.01, 1))
def test_a_surer_grammar_never_makes_its_phrase_less_likely(
    scores: np.ndarray, heard: int, ratio: float, surer: float
) -> None:
    fusion = Fusion(agreement=0.4, surety=0.7)
    one = log_softmax(fused(scores, grammar_row(heard, ratio), fusion), axis=1)[0]
    two = log_softmax(fused(scores, grammar_row(heard, ratio + surer), fusion), axis=1)[0]
    assert two[heard + 1] >= one[heard + 1] - 1e-9


@given(SCORES)
def test_a_silent_grammar_speaks_for_none_of_them(scores: np.ndarray) -> None:
    fusion = Fusion(silence=1.5)
    heard = log_softmax(fused(scores, grammar_row(0), fusion), axis=1)[0]
    silent = log_softmax(fused(scores, grammar_row(None), fusion), axis=1)[0]
    assert silent[0] >= heard[0]


def test_many_rows_are_fused_as_each_alone() -> None:
    rng = np.random.default_rng(3)
    scores = rng.normal(size=(6, PHRASES + 1))
    rows = np.concatenate([grammar_row(heard, 0.3) for heard in (0, 1, 2, 3, None, 1)])
    fusion = Fusion(0.8, 0.5, 0.3, -0.2, 0.9)
    together = fused(scores, rows, fusion)
    for index in range(6):
        alone = fused(scores[index : index + 1], rows[index : index + 1], fusion)
        assert np.allclose(together[index], alone[0])
