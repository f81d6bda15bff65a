"""Spoilt inputs at every door, some thousands; ``make fuzz`` tries a million."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.fuzz.spoiling import LONGEST_BYTES, spoilt
from benchmarks.fuzz.targets import TARGETS, Target
from benchmarks.fuzz.trying import Tried, fed

INPUTS = 20_000
SEED = 2


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_nothing_crashes(target: Target, tmp_path: Path) -> None:
    found = fed(target, round(target.share * INPUTS), SEED, tmp_path)
    assert found.crashes == []


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_what_is_spoilt_was_good(target: Target, tmp_path: Path) -> None:
    """Else every input would be refused at the door, and nothing behind it be tried."""
    attempt = target.opened(tmp_path)
    refused = 0
    for data in target.good():
        try:
            attempt(data)
        except target.allowed:
            refused += 1
    assert refused < len(target.good()) or target.name == "tuned files"


def test_a_crash_and_a_leak_would_be_found(tmp_path: Path) -> None:
    def fails(data: bytes) -> None:
        if b"\xff" in data:
            raise IndexError("no such place")

    target = Target("breaks", 1.0, lambda: [b"abc"], lambda folder: fails, (ValueError,))
    found = fed(target, 300, SEED, tmp_path)
    assert found.crashes
    assert "IndexError" in found.crashes[0][1]
    leaking = Tried("leaks", 100_000, 0, 1.0, 0.0, 20.0, ())
    assert leaking.wrong == ["leaks: 20.0 MB more after 100000 inputs"]


def test_the_same_number_spoils_alike() -> None:
    good = [b"{}" * 50, b"abc"]
    inputs = [spoilt(good, "x", 1, number) for number in range(200)]
    assert inputs == [spoilt(good, "x", 1, number) for number in range(200)]
    assert len(set(inputs)) > 150
    assert all(len(data) <= LONGEST_BYTES for data in inputs)
