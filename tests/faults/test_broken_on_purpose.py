"""A real running table under faults, each once; the benchmark tries all of them, many times.

The table is ``tablevoice run`` in a process of its own, its loudspeaker and its microphone
real PulseAudio servers, its controller this test.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchmarks.faults.bench import Bench
from benchmarks.faults.catalogue import obeying_bench
from benchmarks.faults.clock import ClockJumps, ShiftedClock
from benchmarks.faults.clock import missing as clock_missing
from benchmarks.faults.fault import Fault
from benchmarks.faults.files import HistoryCorrupt, HistoryLocked, StoreDeleted
from benchmarks.faults.flood import flood
from benchmarks.faults.killing import early, killed_again_and_again
from benchmarks.faults.recogniser import RecogniserHung
from benchmarks.faults.room import SoundRoom
from benchmarks.faults.sound import SoundServerKilled
from benchmarks.faults.trial import tried
from tests.sound_path import INSTALL, missing_parts


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundRoom]:
    missing = missing_parts()
    if missing:
        pytest.skip(f"no sound path: {', '.join(missing)} missing; {INSTALL}")
    with SoundRoom(tmp_path_factory.mktemp("room", numbered=True)) as opened:
        yield opened


@pytest.fixture(scope="module")
def bench(room: SoundRoom, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One table for the faults that it outlives."""
    with Bench(tmp_path_factory.mktemp("bench", numbered=True), room) as opened:
        yield opened


@pytest.mark.parametrize(
    "fault", [HistoryLocked(2.0), SoundServerKilled(), StoreDeleted(), HistoryCorrupt()],
    ids=lambda fault: fault.name,
)  # fmt: skip
def test_it_holds(bench: Bench, fault: Fault) -> None:
    outcome = tried(fault, bench)
    assert outcome.wrong == ()
    assert outcome.events >= 2


def test_another_recogniser_takes_over_from_one_that_hangs(
    room: SoundRoom, tmp_path: Path
) -> None:
    with obeying_bench(tmp_path, room) as bench:
        outcome = tried(RecogniserHung(tmp_path / "orders"), bench)
    assert outcome.wrong == ()
    assert any("listening hangs" in told for told in outcome.told)


@pytest.mark.skipif(bool(clock_missing), reason=clock_missing)
def test_a_clock_that_jumps_moves_no_line(room: SoundRoom, tmp_path: Path) -> None:
    clock = ShiftedClock(tmp_path)
    with Bench(tmp_path, room, environment=clock.environment) as bench:
        fault = ClockJumps(clock, (5 * 31_557_600.0, 0.0))
        bench.start()
        fault.breaks(bench)
        fault.heals(bench)
        assert fault.holds(bench) == []
        assert bench.table.miscounted() == []


def test_five_thousand_events_at_once_are_each_answered_and_warnings_are_said(
    bench: Bench,
) -> None:
    result = flood(bench, for_s=0.5, rate_hz=10_000, warning_every_s=0.2)
    assert result.wrong == ()
    assert result.offered >= 5_000
    assert result.outcomes["hello"]["refused"] > 4_000
    assert result.outcomes["caution"].keys() <= {"said", "cut"}


def test_a_kill_loses_nothing_that_was_answered_and_leaves_the_guard_alone(
    room: SoundRoom, tmp_path: Path
) -> None:
    result = killed_again_and_again(tmp_path, room, kills=3, seed=4)
    assert result.wrong == ()
    assert result.kills == 3


def test_a_use_that_was_forgotten_would_be_seen() -> None:
    rounds = [("hello", "a", 2), ("hello", "b", 2), ("hello", "c", 1)]
    used = {("hello", "a"): 2, ("hello", "b"): 1}
    assert early(used, rounds) == []
    forgotten = {**used, ("hello", "c"): 2}
    assert early(forgotten, rounds) == ["a line of hello is in round 1, used 2 times"]
    assert early(used, [*rounds, ("hello", "d", 4)]) == [
        "lines of hello are rounds apart: [1, 2, 2, 4]"
    ]
