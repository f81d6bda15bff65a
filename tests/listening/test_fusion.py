"""Two opinions in one: plain weights do nothing, and the grammar's word moves its phrase only."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.listening.fusion import Fusion, fused

PHRASES = 3
weights = st.floats(-5.0, 5.0)


def said(number: int | None, ratio: float) -> list[float]:
    """A row as ``Commands.grammar_row`` makes it."""
    agrees = [float(index == number) for index in range(PHRASES)]
    return [*agrees, *(ratio * one for one in agrees), float(number is None), 0.8]


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.floats(-20, 20), min_size=4, max_size=4), st.none() | st.integers(0, 2),
    st.floats(-3, 3), weights, weights, weights, weights, weights,
)  # fmt: skip
def test_every_number_has_its_place(
    scores: list[float], number: int | None, ratio: float,
    sound: float, agreement: float, surety: float, nobody: float, silence: float,
) -> None:  # fmt: skip
    table = np.array([scores])
    before = table.copy()
    assert fused(table, np.array([said(number, ratio)]), Fusion()) == pytest.approx(table)
    fusion = Fusion(sound, agreement, surety, nobody, silence)
    found = fused(table, np.array([said(number, ratio)]), fusion)[0]
    expected = [sound * score for score in scores]
    expected[0] += nobody + (silence if number is None else 0.0)
    if number is not None:
        expected[number + 1] += agreement + surety * ratio
    assert found == pytest.approx(expected)
    assert np.array_equal(table, before)


def test_rows_do_not_mix() -> None:
    scores = np.arange(8.0).reshape(2, 4)
    grammar = np.array([said(1, 0.5), said(None, 0.0)])
    fusion = Fusion(0.5, 2.0, 1.0, -1.0, 3.0)
    together = fused(scores, grammar, fusion)
    assert together.tolist() == [[-1.0, 0.5, 3.5, 1.5], [4.0, 2.5, 3.0, 3.5]]
