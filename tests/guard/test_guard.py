"""The guard as a process: trips, holds, presses and proofs, seen by foreign Modbus servers.

The guard file here gives slow peers time, because they share a busy test machine. Faults and
reactions are ``test_withstands``'s.
"""

from __future__ import annotations

import functools
import itertools
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.guard.cell import (
    MS,
    RESET,
    STOP,
    WAIT_S,
    Block,
    GuardProcess,
    LibmodbusBlock,
    arm,
    environment,
    one_block_file,
    open_with_permit,
)
from tests.guard.stalls import Stalls

CURTAIN = 2
TRIES = 5
"""Where exactly one cause is expected: a stand-still of the computer is another, rightly."""


def children_of(process: int) -> list[int]:
    """The children of a process, by Linux's table of processes."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            after_name = place.read_text().rpartition(")")[2].split()
        except OSError:
            continue  # it ended meanwhile
        if int(after_name[1]) == process:
            found.append(int(place.parent.name))
    return found


def has_cause(cause: str, status: dict[str, Any]) -> bool:
    return cause in status["causes"]


def test_trip_and_reset_with_foreign_servers(
    block: Block, short_path: Path, stalls: Stalls
) -> None:
    # The pymodbus peer is an ordinary process, as slow as the computer is busy: its own time.
    bound_ns = stalls.max_ns if isinstance(block, LibmodbusBlock) else 5_000 * MS
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        assert guard.wait_state("awaiting_reset")["causes"][0] == "power up"
        for _ in range(5):
            arm(block)
            mark = block.mark()
            opened = block.contact(STOP, False)
            off = block.wait_for("permit", False, mark)
            assert off is not None
            assert stalls.excess_ns(opened.at_ns, off.at_ns - opened.at_ns, bound_ns) == 0
            assert guard.wait_state("tripped")["why"] == "Stopped. Reset at the machine."
        wrong = open_with_permit(block.seen, block.seen, bound_ns)
        assert not [one for one in wrong if stalls.excess_ns(one[0], one[1] - one[0], bound_ns)]
        beats = [one.value for one in block.seen if one.kind == "heartbeat"]
        assert len(beats) > 10
        assert all(a != b for a, b in itertools.pairwise(beats)), "it toggles"
        time.sleep(0.3)
    kinds = [record["kind"] for record in guard.records()]
    assert kinds.count("trip") == kinds.count("reset") == 5
    assert kinds.count("permit_off_confirmed") == 5
    assert kinds[0] == "start"
    assert kinds[-1] == "end"
    assert all({"wall", "monotonic_s", "kind", "why"} <= set(one) for one in guard.records())


def test_told_to_end_it_leaves_with_the_permit_off(block: Block, short_path: Path) -> None:
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        arm(block)
        mark = block.mark()
        guard.process.terminate()
        assert block.wait_for("permit", False, mark) is not None
        assert guard.process.wait(WAIT_S) == 0
        assert not guard.status_path.exists() or guard.records()[-1]["kind"] == "end"


def test_a_spoken_hold_drops_the_permit_and_only_a_press_brings_it_back(
    libmodbus_block: Block, short_path: Path
) -> None:
    block = libmodbus_block
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        for word in ("pause", "stop"):
            asked = f"asked: {word}"
            for _ in range(TRIES):
                arm(block)
                mark = block.mark()
                with guard.connect() as talking:
                    talking.sendall(json.dumps({"hold": word}).encode() + b"\n")
                    assert block.wait_for("permit", False, mark) is not None
                    status = guard.wait_status(functools.partial(has_cause, asked))
                assert not status["permit"]
                if status["causes"] == [asked]:
                    break
            assert status["causes"] == [asked]
            assert status["latched"] == "hold"
        time.sleep(0.5)
        assert not block.permit
        arm(block)


def test_a_curtain_clears_by_itself_only_where_the_file_says_so(
    libmodbus_block: Block, short_path: Path
) -> None:
    block = libmodbus_block
    block.contact(CURTAIN, True)
    line = (
        f"  curtain: {{kind: modbus, host: 127.0.0.1, port: {block.port}, address: {CURTAIN},\n"
        "    role: protective, clears_by_itself: CLEARS}"
    )
    for clears in (False, True):
        path = one_block_file(
            short_path,
            block.port,
            more_inputs=line.replace("CLEARS", str(clears).lower()),
        )
        with GuardProcess(path) as guard:
            for _ in range(TRIES if clears else 1):
                arm(block)
                mark = block.mark()
                block.contact(CURTAIN, False)
                assert block.wait_for("permit", False, mark) is not None
                held = guard.wait_status(lambda status: status["state"] in ("held", "tripped"))
                mark = block.mark()
                block.contact(CURTAIN, True)
                back = block.wait_for("permit", True, mark, within_s=3.0 if clears else 0.5)
                if back is not None:
                    break
            assert held["latched"] == "hold"
            assert (back is not None) is clears


def test_the_reset_contact_is_watched_for_a_press_only(
    pymodbus_block: Block, short_path: Path
) -> None:
    """A press that began before the stop closed, and one held too long, arm nothing."""
    block = pymodbus_block
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        guard.wait_state("awaiting_reset")
        mark = block.mark()
        # Each is held for several polls: what changes between two of them, nobody can see.
        block.contact(STOP, False)
        time.sleep(0.2)
        block.contact(RESET, True)
        time.sleep(0.2)
        block.contact(STOP, True)
        time.sleep(0.3)
        block.contact(RESET, False)
        time.sleep(0.2)
        assert block.wait_for("permit", True, mark, within_s=0.3) is None
        for _ in range(5):  # a late answer of a busy peer spoils a press too, which is right
            block.press_reset(2.2)
            assert block.wait_for("permit", True, mark, within_s=0.5) is None
            whys = [one["why"] for one in guard.records() if one["kind"] == "press_refused"]
            if any("too long" in why for why in whys):
                break
        assert any("too long" in why for why in whys), whys
        assert any("not closed and steady before" in why for why in whys), whys
        arm(block)


def test_a_lost_reporter_is_a_hold_and_comes_back(libmodbus_block: Block, short_path: Path) -> None:
    block = libmodbus_block
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        for _ in range(TRIES):
            arm(block)
            mark = block.mark()
            (reporter,) = children_of(guard.process.pid)
            os.kill(reporter, 9)
            assert block.wait_for("permit", False, mark) is not None
            status = guard.wait_state("awaiting_reset")
            if status["causes"] == ["reporter"]:
                break
        assert status["causes"] == ["reporter"]
        assert status["latched"] == "hold"
        arm(block)


def test_the_guard_takes_its_reporter_with_it(pymodbus_block: Block, short_path: Path) -> None:
    block = pymodbus_block
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        guard.wait_state("awaiting_reset")
        with guard.connect() as connection:
            guard.process.kill()
            while connection.recv(65_536):
                pass  # the end of file is the proof


def test_slow_and_many_readers_are_dropped(pymodbus_block: Block, short_path: Path) -> None:
    block = pymodbus_block
    with GuardProcess(one_block_file(short_path, block.port)) as guard:
        crowd = [guard.connect() for _ in range(40)]
        for one in crowd[16:]:
            assert one.recv(65_536) == b"", "more than 16 are turned away"
        arm(block)  # meanwhile the guard works
        stuck = crowd[0]
        until_s = time.monotonic() + 60
        gone = False
        while not gone and time.monotonic() < until_s:
            time.sleep(1.0)
            # Held for several polls: what changes between two of them, nobody can see.
            block.contact(STOP, False)
            time.sleep(0.2)
            block.contact(STOP, True)
            try:
                for _ in range(10):
                    stuck.send(b"\n")
                    time.sleep(0.005)
            except OSError:
                gone = True
        assert gone, "a reader that never reads was never dropped"
        for one in crowd:
            one.close()
        guard.wait_state("awaiting_reset")


def test_a_press_proves_and_the_proof_outlives_the_guard(
    pymodbus_block: Block, short_path: Path
) -> None:
    block = pymodbus_block
    path = one_block_file(short_path, block.port)
    with GuardProcess(path) as guard:
        status = guard.wait_state("awaiting_reset")
        assert not status["proven"]
        assert status["why_not_proven"] == "stop was never seen pressed"
        asking = subprocess.Popen(
            [sys.executable, "-m", "tablevoice.guard", str(path), "--prove"],
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        assert asking.stdout is not None
        said = [asking.stdout.readline(), asking.stdout.readline()]
        assert "Clear the machine first" in said[0]
        assert "stop: now closed. Press it" in said[1]
        until_s = time.monotonic() + WAIT_S
        while asking.poll() is None and time.monotonic() < until_s:
            block.contact(STOP, False)
            time.sleep(0.3)
            block.contact(STOP, True)
            time.sleep(0.7)  # again, where a late answer of a busy peer spoiled the press
        rest = asking.communicate(timeout=WAIT_S)[0]
        assert asking.returncode == 0
        assert "Every stop input is proven" in rest
        guard.wait_status(lambda status: status["proven"])
        time.sleep(0.5)
    with GuardProcess(path) as guard:
        assert guard.wait_status(lambda status: status["permit"] is False)["proven"]
    proofs = path.parent / "guard_state" / "proofs.json"
    stored = json.loads(proofs.read_text())
    proofs.write_text(json.dumps({"stop": stored["stop"] - 25 * 3600}))
    with GuardProcess(path) as guard:
        assert "25.0 h ago" in guard.wait_state("awaiting_reset")["why_not_proven"]
    proofs.write_text(json.dumps({"stop": stored["stop"] + 25 * 3600}))
    with GuardProcess(path) as guard:
        assert not guard.wait_state("awaiting_reset")["proven"], "a proof from the future"
