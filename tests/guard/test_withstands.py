"""The guard under fault, with real processes: the permit is never on while a stop is open.

Few trips a fault and hard assertions; percentiles over many trips are the benchmark's.
Reactions are bounded generously here, because the machine that runs tests may be busy with
anything.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tablevoice.guard.clock import now_ns
from tests.guard.cell import HEARTBEAT_MS, MS, RESET, STOP, GuardProcess, controller_stop_ns
from tests.guard.faults import (
    FAKETIME,
    HOST_FAULTS,
    LINK_FAULTS,
    RATTLES_HZ,
    TWO_PERIODS_NS,
    Lane,
    Result,
    link_trip,
)

GENEROUS_NS = 250 * MS
"""Five times the required maximum: what a busy test machine may add."""


@pytest.fixture(scope="module")
def lane(libmodbus_program: Path, short_module_path: Path) -> Iterator[Lane]:
    with Lane(short_module_path / "a", libmodbus_program) as made:
        yield made


@pytest.fixture(scope="module")
def proxied(libmodbus_program: Path, short_module_path: Path) -> Iterator[Lane]:
    with Lane(short_module_path / "b", libmodbus_program, proxied=True) as made:
        yield made


def check(result: Result, trips: int, bound_ns: int = GENEROUS_NS) -> None:
    assert result.unseen == 0
    assert len(result.reactions_ns) == trips
    assert max(result.reactions_ns) <= bound_ns, [r / MS for r in result.reactions_ns]
    late = [(opened, seen) for opened, seen in result.wrong if seen - opened > bound_ns]
    assert not late


@pytest.mark.parametrize("fault", HOST_FAULTS)
def test_whatever_the_computer_does(lane: Lane, fault: str) -> None:
    result = Result(fault)
    with HOST_FAULTS[fault]([lane.guard]):
        for _ in range(6):
            lane.trip(result)
    check(result, 6)


@pytest.mark.parametrize("fault", LINK_FAULTS)
def test_whatever_the_input_block_answers(proxied: Lane, fault: str) -> None:
    result = Result(fault)
    for _ in range(2):
        link_trip(proxied, "inputs", fault, result)
    check(result, 2)


@pytest.mark.parametrize("fault", LINK_FAULTS)
def test_whatever_the_controllers_link_does(proxied: Lane, fault: str) -> None:
    """With the way to the controller spoilt, its own rule has to make it stop."""
    result = Result(fault)
    for _ in range(2):
        link_trip(proxied, "controller", fault, result)
    check(result, 2, TWO_PERIODS_NS + GENEROUS_NS)


@pytest.mark.parametrize("hz", RATTLES_HZ)
def test_a_rattling_stop(lane: Lane, hz: int) -> None:
    result = Result(f"{hz} Hz")

    def rattle() -> int:
        lane.inputs.rattle(STOP, hz, 120)
        mark = lane.inputs.mark()
        opened = lane.inputs.wait_for("contact", False, max(mark - 1, 0), address=STOP)
        assert opened is not None
        time.sleep(0.2)
        return opened.at_ns

    for _ in range(3):
        lane.trip(result, rattle)
    check(result, 3)


def test_a_restarted_input_block_and_a_restarted_controller(lane: Lane) -> None:
    for side in ("inputs", "controller"):
        lane.arm()
        at_ns = lane.restart(side)
        reaction_ns = lane.reaction_ns(at_ns)
        assert reaction_ns is not None
        assert reaction_ns <= GENEROUS_NS
        lane.guard.wait_state("awaiting_reset")  # the link is back, the permit is not
        time.sleep(0.3)
        assert not lane.controller.permit
    result = Result("after both")
    lane.trip(result)
    check(result, 1)


def test_a_welded_reset_never_arms(lane: Lane) -> None:
    lane.inputs.contact(STOP, False)
    lane.inputs.contact(RESET, True)
    mark = lane.controller.mark()
    for _ in range(10):
        lane.inputs.contact(STOP, True)
        time.sleep(0.1)
        lane.inputs.contact(STOP, False)
        time.sleep(0.02)
    lane.inputs.contact(STOP, True)
    time.sleep(2.2)
    assert lane.controller.wait_for("permit", True, mark, within_s=0.1) is None
    lane.inputs.contact(RESET, False)
    assert lane.controller.wait_for("permit", True, mark, within_s=0.3) is None
    result = Result("after it")
    lane.trip(result)  # and a lane is left tripped, as the next test expects it
    check(result, 1)


def test_a_full_disk(libmodbus_program: Path, short_path: Path) -> None:
    """``/dev/full`` is a disk with no space left; tmpfs needs a superuser (the benchmark's)."""
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full (Linux)")
    state = short_path / "guard_state"
    state.mkdir()
    (state / "record.jsonl").symlink_to("/dev/full")
    (state / "proofs.json.new").symlink_to("/dev/full")
    result = Result("disk full")
    with Lane(short_path, libmodbus_program) as full:
        for _ in range(6):
            full.trip(result)
        status = full.guard.wait_status(lambda status: status["record_problem"])
        assert "No space left" in status["record_problem"]
        assert status["record_lines_dropped"] > 0
    check(result, 6)


def test_a_clock_set_back_and_forward(libmodbus_program: Path, short_path: Path) -> None:
    """The guard's own wall clock jumps by years; the computer's is left alone."""
    if not FAKETIME:
        pytest.skip("needs libfaketime: apt-get install libfaketime")
    clock = short_path / "clock"
    clock.write_text("+0")
    faked = {
        "LD_PRELOAD": FAKETIME[0],
        "FAKETIME_TIMESTAMP_FILE": str(clock),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    result = Result("clock")
    with Lane(short_path, libmodbus_program, environment_more=faked) as lane:
        for shift in ("+0", "-3y", "+5y", "-1d", "+1h", "+0"):
            lane.arm()
            clock.write_text(shift)
            time.sleep(0.05)
            assert lane.controller.permit, "a clock that jumps is no reason to stop either"
            lane.trip_armed(result, lane.opened)
        time.sleep(0.3)
        years = {record["wall"][:4] for record in lane.guard.records()}
        assert len(years) >= 3, "the wall clock did not jump: this checked nothing"
    check(result, 6)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_dead_or_frozen_guard_is_a_stop_within_two_periods(
    libmodbus_program: Path, short_path: Path, how: signal.Signals
) -> None:
    with Lane(short_path, libmodbus_program) as lane:
        lane.arm()
        time.sleep(0.2)
        os.kill(lane.guard.process.pid, how)
        at_ns = now_ns()
        time.sleep(3 * HEARTBEAT_MS / 1_000)
        lane.controller.catch_up()
        stopped_ns = controller_stop_ns(lane.controller.seen, at_ns)
        assert stopped_ns is not None
        assert stopped_ns - at_ns <= TWO_PERIODS_NS
        if how is signal.SIGSTOP:
            status = lane.guard.wait_status(lambda status: status["state"] == "silent")
            assert status["permit"] is False
            mark = lane.controller.mark()
            os.kill(lane.guard.process.pid, signal.SIGCONT)
            assert lane.controller.wait_for("permit", False, mark) is not None
            status = lane.guard.wait_state("awaiting_reset")
            assert status["causes"][0] == "inputs unwatched"
            assert lane.controller.wait_for("permit", True, mark, within_s=0.3) is None


def test_a_second_guard_on_the_file_is_refused(lane: Lane) -> None:
    lane.arm()
    second = GuardProcess(lane.guard.path)
    try:
        _, said = second.process.communicate(timeout=30)
        assert second.process.returncode == 2
        assert "another guard is running on this file" in said
    finally:
        second.stop()
    assert lane.controller.permit
    result = Result("after it")
    lane.trip_armed(result, lane.opened)
    check(result, 1)
