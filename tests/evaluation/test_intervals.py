"""Intervals, against the reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, poisson
from statsmodels.stats.proportion import proportion_confint

from tablevoice.evaluation.intervals import hourly, quantile, wilson


@settings(deadline=None)
@given(st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_a_share_has_the_interval_of_statsmodels(trial: tuple[int, int]) -> None:
    count, of = trial
    found = wilson(count, of)
    low, high = proportion_confint(count, of, alpha=0.05, method="wilson")
    assert found.share == count / of
    assert found.low == pytest.approx(low, abs=1e-12)
    assert found.high == pytest.approx(high, abs=1e-12)
    assert found.low is not None
    assert found.high is not None
    assert 0.0 <= found.low <= found.share <= found.high <= 1.0


def test_no_trials_have_no_share() -> None:
    found = wilson(0, 0)
    assert (found.share, found.low, found.high) == (None, None, None)


@pytest.mark.parametrize(("count", "of"), [(-1, 3), (4, 3)])
def test_what_is_no_share_is_refused(count: int, of: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        wilson(count, of)


@settings(deadline=None, max_examples=50)
@given(st.integers(1, 500), st.floats(0.01, 1000.0))
def test_a_rate_has_garwoods_exact_interval(count: int, hours: float) -> None:
    # F. Garwood, Biometrika 28 (1936): bounds are quantiles of chi-squared over two.
    found = hourly(count, hours)
    assert found.low == pytest.approx(chi2.ppf(0.025, 2 * count) / 2 / hours, rel=1e-6)
    assert found.high == pytest.approx(chi2.ppf(0.975, 2 * count + 2) / 2 / hours, rel=1e-6)


@given(st.floats(0.01, 1000.0))
def test_nothing_in_some_hours_leaves_the_rule_of_three(hours: float) -> None:
    found = hourly(0, hours)
    assert found.high is not None
    assert found.high == pytest.approx(3.0 / hours, rel=0.002)
    # The largest rate at which nothing at all still happens in one of twenty times.
    assert poisson.pmf(0, found.high * hours) == pytest.approx(0.05, rel=1e-9)


def test_no_time_has_no_rate() -> None:
    assert hourly(0, 0.0).per_hour is None
    with pytest.raises(ValueError, match="no rate"):
        hourly(-1, 1.0)


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=50), st.floats(0.0, 1.0))
def test_a_quantile_is_numpys(values: list[float], share: float) -> None:
    found = quantile(values, share)
    assert found is not None
    assert math.isclose(found, float(np.quantile(values, share)), rel_tol=1e-9, abs_tol=1e-9)


def test_nothing_has_no_quantile() -> None:
    assert quantile([], 0.5) is None
