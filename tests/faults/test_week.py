"""The week in an hour: what counts as flat, what is in the week, and some seconds of it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.week.playing import played
from benchmarks.week.results import kept
from benchmarks.week.sampling import Trend, flat, trend
from benchmarks.week.schedule import DAY_S, FAULTS, OPEN_S, happenings

Series: TypeAlias = NDArray[np.float64]


def trend_of(times_s: Series, values: Series) -> Trend:
    return trend(times_s.tolist(), values.tolist())


def test_a_slow_leak_is_seen_and_noise_with_steps_at_the_start_is_not() -> None:
    chance = np.random.default_rng(1)
    minutes: Series = np.arange(60.0) * 60.0
    noise = chance.normal(0.0, 2.0, 60)
    warm = np.where(minutes < 300.0, 200.0, 300.0)
    assert flat("resident_mb", trend_of(minutes, warm + noise))
    leaking = trend_of(minutes, warm + noise + minutes / 60.0)
    assert not flat("resident_mb", leaking)
    assert leaking.growth == pytest.approx(53.0, abs=5.0)  # a MB a minute, of 53 minutes
    spikes = warm + noise
    spikes[[20, 40]] += 500.0
    assert flat("resident_mb", trend_of(minutes, spikes))


def test_every_fault_comes_about_as_often_and_nights_are_quiet() -> None:
    week = list(happenings(3))
    faults = Counter(one.what for one in week if one.kind == "fault")
    assert set(faults) == set(FAULTS)
    assert max(faults.values()) - min(faults.values()) <= 1
    assert sum(faults.values()) >= 70
    assert all(one.at_s % DAY_S <= OPEN_S for one in week if one.kind != "fault")
    assert [one.at_s for one in week] == sorted(one.at_s for one in week)
    assert list(happenings(3)) == week


def test_some_seconds_of_the_week_are_played_and_drawn(tmp_path: Path) -> None:
    (tmp_path / "cell").mkdir()
    week = played(tmp_path / "cell", hours=0.003, seed=3, every_s=1.0, told=lambda text: None)
    assert week.wrong == []
    assert week.counts["events"] > 50
    assert week.counts["said"] > 30
    assert week.sound_s
    results = kept(week, tmp_path / "week.json", tmp_path / "week.png", busy=False)
    assert len(results["samples"]) >= 4
    assert (tmp_path / "week.png").stat().st_size > 10_000
