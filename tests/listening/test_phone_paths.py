"""The sums over alignments against all alignments, one by one."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tablevoice.listening.phone_paths import best_path, log_likelihoods

STEPS, COLUMNS = 5, 3


@st.composite
def networks(draw: st.DrawFn) -> NDArray[np.float64]:
    """Log probabilities, each step summing to 1; some are very small."""
    rows = draw(
        st.lists(
            st.lists(st.floats(-12.0, 4.0), min_size=COLUMNS, max_size=COLUMNS),
            min_size=1, max_size=STEPS,
        )
    )  # fmt: skip
    scores = np.array(rows)
    return np.asarray(scores - np.log(np.exp(scores).sum(axis=1, keepdims=True)))


sequences = st.lists(
    st.lists(st.integers(1, COLUMNS - 1), min_size=1, max_size=4).map(tuple),
    min_size=1, max_size=5,
)  # fmt: skip


def collapsed(path: tuple[int, ...]) -> tuple[int, ...]:
    """The definition (Graves et al. 2006, section 3.1): repeats become one, then blanks go."""
    return tuple(column for column, _ in itertools.groupby(path) if column)


def by_enumeration(steps: NDArray[np.float64]) -> dict[tuple[int, ...], float]:
    chances: dict[tuple[int, ...], float] = {}
    for path in itertools.product(range(steps.shape[1]), repeat=len(steps)):
        chance = math.exp(sum(steps[step, column] for step, column in enumerate(path)))
        chances[collapsed(path)] = chances.get(collapsed(path), 0.0) + chance
    return chances


@settings(deadline=None, max_examples=60)
@given(networks(), sequences)
def test_the_sum_is_that_of_all_alignments(
    steps: NDArray[np.float64], wanted: list[tuple[int, ...]]
) -> None:
    chances = by_enumeration(steps)
    assert sum(chances.values()) == pytest.approx(1.0)
    for found, sequence in zip(log_likelihoods(steps, wanted), wanted, strict=True):
        if sequence in chances:
            assert found == pytest.approx(math.log(chances[sequence]), abs=1e-6)
        else:  # too long for so few steps
            assert found < -1e8


@settings(deadline=None, max_examples=60)
@given(networks(), sequences)
def test_many_at_once_are_as_each_alone(
    steps: NDArray[np.float64], wanted: list[tuple[int, ...]]
) -> None:
    together = log_likelihoods(steps, wanted)
    alone = [float(log_likelihoods(steps, [sequence])[0]) for sequence in wanted]
    assert together == pytest.approx(alone)


@settings(deadline=None, max_examples=60)
@given(networks())
def test_the_best_path_is_the_best_of_all_and_no_sequence_is_above_all_paths(
    steps: NDArray[np.float64],
) -> None:
    best = max(
        sum(steps[step, column] for step, column in enumerate(path))
        for path in itertools.product(range(steps.shape[1]), repeat=len(steps))
    )
    found, phones = best_path(steps)
    assert found == pytest.approx(best)
    assert phones == len(collapsed(tuple(int(column) for column in np.argmax(steps, axis=1))))
    likeliest = collapsed(tuple(int(column) for column in np.argmax(steps, axis=1)))
    if likeliest:
        assert log_likelihoods(steps, [likeliest])[0] >= found - 1e-9
    assert (log_likelihoods(steps, [(1,), (1, 2), (1, 1)]) <= 1e-9).all()


def test_a_repeated_phone_needs_a_blank_between() -> None:
    sure = np.log(np.array([[0.01, 0.98, 0.01], [0.98, 0.01, 0.01], [0.01, 0.98, 0.01]]))
    twice, once = log_likelihoods(sure, [(1, 1), (1,)])
    assert twice > -0.1
    assert once < -3.0
    two_steps = sure[[0, 2]]
    assert log_likelihoods(two_steps, [(1, 1)])[0] < -1e8
    assert best_path(sure)[1] == 2
    assert best_path(two_steps)[1] == 1
