"""Curves of probabilities: counted by hand, and against the normal distribution of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from tablevoice.evaluation.curves import (
    detection_curve,
    deviate,
    equal_error,
    reliability,
)

scores = st.lists(st.sampled_from([0.0, 0.1, 0.25, 0.5, 0.8, 0.95, 1.0]), min_size=1, max_size=30)


def test_a_curve_counted_by_hand() -> None:
    curve = detection_curve([0.9, 0.6, 0.2, 0.0], [0.7, 0.1])
    at = {point.threshold: (point.miss, point.false_acceptance) for point in curve}
    assert at[0.0] == (0.0, 1.0)
    assert at[0.2] == (0.25, 0.5)
    assert at[0.7] == (0.75, 0.5)
    assert at[0.9] == (0.75, 0.0)
    assert (curve[-1].miss, curve[-1].false_acceptance) == (1.0, 0.0)


@settings(deadline=None)
@given(scores, scores)
def test_every_point_is_a_count_at_its_threshold(words: list[float], outside: list[float]) -> None:
    curve = detection_curve(words, outside)
    for point in curve:
        assert point.miss == pytest.approx(np.mean(np.array(words) < point.threshold))
        accepted = np.mean(np.array(outside) >= point.threshold)
        assert point.false_acceptance == pytest.approx(accepted)
    assert [point.miss for point in curve] == sorted(point.miss for point in curve)
    error = equal_error(curve)
    assert error is not None
    assert 0.0 <= error <= 1.0


def test_words_and_outside_that_score_apart_have_no_error_in_common() -> None:
    assert equal_error(detection_curve([0.9, 0.8], [0.1, 0.2])) == 0.0
    assert equal_error(detection_curve([0.1, 0.2], [0.9, 0.8])) == pytest.approx(1.0)
    assert detection_curve([], [0.5]) == ()


def test_the_axes_are_normal_deviates() -> None:
    for share in (0.01, 0.2, 0.5, 0.975):
        assert deviate(share) == pytest.approx(norm.ppf(share), abs=1e-9)
    assert deviate(0.0) == pytest.approx(norm.ppf(0.001), abs=1e-9)


def test_true_probabilities_lie_on_the_diagonal_and_false_ones_beside_it() -> None:
    rng = np.random.default_rng(5)
    probabilities = rng.random(20_000)
    true = reliability([(float(p), bool(rng.random() < p)) for p in probabilities])
    assert true.calibration_error is not None
    assert true.calibration_error < 0.02
    # Of a uniform p the Brier score of the truth is the mean of p (1 - p), 1/6.
    assert true.brier == pytest.approx(1.0 / 6.0, abs=0.01)
    sure = reliability([(0.95, bool(number % 2)) for number in range(1000)])
    assert sure.calibration_error == pytest.approx(0.45)
    (only,) = sure.bins
    assert (only.low, only.high, only.right.count, only.right.of) == (0.9, 1.0, 500, 1000)


def test_a_certain_probability_has_a_bin_and_nothing_has_none() -> None:
    assert reliability([(1.0, True)]).bins[0].high == 1.0
    assert reliability([]).brier is None
