"""What excuses a late reaction in the guard's tests is itself checked: it excuses nothing else."""

from __future__ import annotations

import os
import signal
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.guard.clock import now_ns
from tests.guard.cell import MS
from tests.guard.stalls import Stalls, union_ns


@pytest.mark.parametrize(
    ("stalls", "covered"),
    [
        ([], 0),
        ([(0, 10)], 0),
        ([(90, 20)], 10),
        ([(120, 30)], 30),
        ([(190, 50)], 10),
        ([(200, 50)], 0),
        ([(0, 1_000)], 100),
        ([(110, 20), (120, 20)], 30),  # two cores: what both share counts once
        ([(110, 50), (120, 10)], 50),
        ([(180, 10), (110, 10)], 20),
    ],
)
def test_stand_still_counts_once_and_only_within(
    stalls: list[tuple[int, int]], covered: int
) -> None:
    assert union_ns(stalls, 100, 200) == covered


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(1, 30)), max_size=6),
    st.integers(0, 40),
    st.integers(1, 60),
)
def test_it_is_the_number_of_moments_covered(
    stalls: list[tuple[int, int]], from_ns: int, length_ns: int
) -> None:
    moments = range(from_ns, from_ns + length_ns)
    expected = sum(any(at <= one < at + long for at, long in stalls) for one in moments)
    assert union_ns(stalls, from_ns, from_ns + length_ns) == expected


def test_a_watcher_tells_when_and_how_long_it_stood_still(stalls: Stalls) -> None:
    """A watcher that is frozen for a moment stands for a core that was."""
    before_ns = now_ns()
    os.kill(stalls.processes[0], signal.SIGSTOP)
    time.sleep(0.08)
    os.kill(stalls.processes[0], signal.SIGCONT)
    after_ns = now_ns()
    frozen_ns = stalls.between_ns(before_ns, after_ns + 10 * MS)
    assert 70 * MS <= frozen_ns <= after_ns - before_ns + 10 * MS
    reaction_ns = after_ns - before_ns
    assert stalls.excess_ns(before_ns, reaction_ns, reaction_ns - 60 * MS) == 0
    assert stalls.excess_ns(before_ns - 3_600_000 * MS, 60 * MS, 50 * MS) == 10 * MS
