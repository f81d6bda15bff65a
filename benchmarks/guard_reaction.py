"""How fast a pressed stop is a stop at the controller, fault by fault.

Every trip is real: the contact opens in an I/O block's process (libmodbus), the guard reads
it, the controller's process (another libmodbus) sees the permit fall. Both stamp the time of
one clock; the reaction is the difference. Where the way to the controller itself is spoilt,
the reaction is when the controller's own rule (no heartbeat edge in two periods) stops it.
The peers ask for real-time priority too, because they stand for hardware of their own.
A watcher on each core notes how long the computer itself stood still meanwhile.

    python -m benchmarks.guard_reaction                 1,000 trips a fault
    python -m benchmarks.guard_reaction --total 75000   that many idle and with every core busy,
                                                        100,000 with the other 25 faults' 1,000
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import platform
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from tablevoice.guard.clock import now_ns
from tests.guard.cell import (
    HEARTBEAT_MS,
    RESET,
    STOP,
    build_libmodbus_block,
    libmodbus_missing,
)
from tests.guard.faults import (
    FAKETIME,
    HOST_FAULTS,
    LINK_FAULTS,
    RATTLES_HZ,
    Lane,
    Result,
    link_trip,
)
from tests.guard.stalls import Stalls

REQUIRED_P999_MS, REQUIRED_MAX_MS = 20.0, 50.0
QUIET, BUSY = "nothing else running", "every core spinning"

Trip = Callable[[Lane, Result], None]


def percentile_ms(sorted_ns: Sequence[int], share: float) -> float:
    """The smallest reaction that at least ``share`` of all do not exceed (nearest rank)."""
    return sorted_ns[max(math.ceil(share * len(sorted_ns)) - 1, 0)] / 1e6


def run(name: str, lanes: Sequence[Lane], trips: int, trip: Trip) -> Result:
    """Share out trips over the lanes, one thread a lane."""
    results = [Result(name) for _ in lanes]
    failed: list[str] = []

    def work(lane: Lane, result: Result, count: int) -> None:
        try:
            for _ in range(count):
                trip(lane, result)
                del lane.inputs.seen[:-400], lane.controller.seen[:-400]
        except AssertionError as problem:
            failed.append(str(problem))

    threads = []
    for place, (lane, result) in enumerate(zip(lanes, results, strict=True)):
        count = trips // len(lanes) + (place < trips % len(lanes))
        threads.append(threading.Thread(target=work, args=(lane, result, count), daemon=True))
        threads[-1].start()
    for thread in threads:
        thread.join()
    whole = Result(name)
    for result in results:
        whole.reactions_ns += result.reactions_ns
        whole.unseen += result.unseen
        whole.wrong += result.wrong
    if failed:
        print(f"  {name}: a lane gave up: {failed[0]}", file=sys.stderr)
        whole.unseen += len(failed)
    return whole


def rattling(hz: int) -> Trip:
    def trip(lane: Lane, result: Result) -> None:
        def press() -> int:
            mark = lane.inputs.mark()
            lane.inputs.rattle(STOP, hz, 100)
            opened = lane.inputs.wait_for("contact", False, mark, address=STOP)
            assert opened is not None, "the contact did not rattle"
            time.sleep(0.13)
            return opened.at_ns

        lane.trip(result, press)

    return trip


def restarting(lane: Lane, result: Result) -> None:
    """The input block's process is killed; the stop counts as open from then on."""

    def press() -> int:
        return lane.restart("inputs")

    lane.trip(result, press)


def welded(lane: Lane, result: Result) -> None:
    """Trip as usual, then weld the reset closed and see that nothing arms."""
    lane.trip(result)
    lane.inputs.contact(RESET, True)
    mark = lane.controller.mark()
    lane.inputs.contact(STOP, True)
    armed = lane.controller.wait_for("permit", True, mark, within_s=0.1)
    lane.inputs.contact(STOP, False)
    lane.inputs.contact(RESET, False)
    if armed is not None:
        result.wrong.append((armed.at_ns, armed.at_ns))


def links(side: str, fault: str) -> Trip:
    def trip(lane: Lane, result: Result) -> None:
        link_trip(lane, side, fault, result)

    return trip


def plain(lane: Lane, result: Result) -> None:
    lane.trip(result)


@contextlib.contextmanager
def made(count: int, make: Callable[[int], Lane]) -> Iterator[list[Lane]]:
    with contextlib.ExitStack() as stack:
        yield [stack.enter_context(make(place)) for place in range(count)]


@contextlib.contextmanager
def tiny_full_disk(folder: Path) -> Iterator[Path]:
    """A 64 kB tmpfs filled to the last byte (superuser only)."""
    folder.mkdir(parents=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)], check=True)
    try:
        with contextlib.suppress(OSError), (folder / "filler").open("wb", buffering=0) as file:
            while True:
                file.write(b"x" * 4096)
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


class Table:
    """Prints rows as they come and keeps them."""

    def __init__(self, stalls: Stalls) -> None:
        self._stalls = stalls
        self.rows: list[dict[str, object]] = []
        self.missed = False
        print(
            f"{'fault':44} {'trips':>6} {'p50':>7} {'p99':>7} {'p99.9':>7} {'max':>7}  "
            "unseen  run while open  stood still"
        )

    def add(self, result: Result, bound: str) -> None:
        """``bound``: "required" for the limits above, "two periods" where the rule acts."""
        ordered = sorted(result.reactions_ns)
        stall_ms = self._stalls.take_ms()
        if not ordered:
            print(f"{result.name:44} no trips")
            self.missed = True
            return
        p50, p99, p999 = (percentile_ms(ordered, share) for share in (0.5, 0.99, 0.999))
        largest = ordered[-1] / 1e6
        if bound == "required":
            kept = p999 <= REQUIRED_P999_MS and largest <= REQUIRED_MAX_MS
        else:
            kept = largest <= 2 * HEARTBEAT_MS
        kept = kept and not result.wrong and not result.unseen
        self.missed = self.missed or not kept
        self.rows.append(
            {
                "fault": result.name,
                "trips": len(ordered),
                "p50_ms": round(p50, 3),
                "p99_ms": round(p99, 3),
                "p999_ms": round(p999, 3),
                "max_ms": round(largest, 3),
                "unseen": result.unseen,
                "on_while_open": len(result.wrong),
                "bound": bound,
                "kept": kept,
                "computer_stood_still_ms": round(stall_ms, 1),
            }
        )
        print(
            f"{result.name:44} {len(ordered):6} {p50:7.2f} {p99:7.2f} {p999:7.2f} {largest:7.2f}"
            f"  {result.unseen:6}  {len(result.wrong):14}  {stall_ms:11.1f}"
            f"  {'' if kept else 'MISSED'}",
            flush=True,
        )


def measure(arguments: argparse.Namespace, folder: Path, table: Table) -> None:
    program = build_libmodbus_block(folder)
    lanes, trips = arguments.lanes, arguments.trips
    wanted = arguments.only

    def asked(name: str) -> bool:
        return not wanted or any(part in name for part in wanted)

    with made(lanes, lambda n: Lane(folder / f"a{n}", program)) as group:
        first = group[0].guard.wait_state("awaiting_reset")
        print(
            f"guards real-time: {first['real_time']}, memory locked: {first['locked_memory']}, "
            f"peers real-time: {group[0].inputs.real_time}"
        )
        guards = [lane.guard for lane in group]
        for name, fault in HOST_FAULTS.items():
            if asked(name):
                count = trips
                if arguments.total and name in (QUIET, BUSY):
                    count = arguments.total // 2
                with fault(guards):
                    result = run(name, group, count, plain)
                table.add(result, "required")
        for hz in RATTLES_HZ:
            if asked(name := f"stop rattling at {hz} Hz"):
                table.add(run(name, group, trips, rattling(hz)), "required")
        if asked(name := "reset welded closed after each trip"):
            table.add(run(name, group, trips, welded), "required")
        if asked(name := "input block's process killed, restarted"):
            table.add(run(name, group, trips, restarting), "required")
    if asked(name := "disk full"):
        if os.geteuid() == 0:
            with contextlib.ExitStack() as stack:
                disks = [
                    stack.enter_context(tiny_full_disk(folder / f"d{n}" / "guard_state"))
                    for n in range(lanes)
                ]
                with made(lanes, lambda n: Lane(disks[n].parent, program)) as group:
                    table.add(run(name, group, trips, plain), "required")
        else:
            print(f"{name:44} not measured: mounting a tmpfs takes a superuser")
    if asked(name := "wall clock set back and forward"):
        if FAKETIME:
            clock = folder / "clock"
            clock.write_text("+0")
            faked = {
                "LD_PRELOAD": FAKETIME[0],
                "FAKETIME_TIMESTAMP_FILE": str(clock),
                "FAKETIME_NO_CACHE": "1",
                "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            }

            def jumping(lane: Lane, result: Result) -> None:
                lane.arm()
                clock.write_text(lane.random.choice(("-3y", "+5y", "-1h", "+1d", "+0")))
                lane.trip_armed(result, lane.opened)

            with made(
                lanes, lambda n: Lane(folder / f"c{n}", program, environment_more=faked)
            ) as group:
                table.add(run(name, group, trips, jumping), "required")
        else:
            print(f"{name:44} not measured: apt-get install libfaketime")
    with made(lanes, lambda n: Lane(folder / f"p{n}", program, proxied=True)) as group:
        for side, bound in (("inputs", "required"), ("controller", "two periods")):
            for spoilt in LINK_FAULTS:
                if asked(name := f"{side} link: {spoilt.replace('_', ' ')}"):
                    result = run(name, group, arguments.link_trips or trips, links(side, spoilt))
                    table.add(result, bound)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--trips", type=int, default=1_000, help="trips a fault")
    parser.add_argument("--link-trips", type=int, default=0, help="trips a link fault")
    parser.add_argument("--total", type=int, default=0, help="trips idle and busy together")
    parser.add_argument("--lanes", type=int, default=4, help="cells measured side by side")
    parser.add_argument("--only", nargs="*", default=[], help="faults whose name has this in it")
    parser.add_argument("--json", type=Path, help="also write the rows here")
    arguments = parser.parse_args()
    if missing := libmodbus_missing():
        print(missing, file=sys.stderr)
        return 2
    # Told to end, it still ends its guards and peers.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    began_ns = now_ns()
    print(
        f"{platform.system()} {platform.release()}, {os.cpu_count()} cores, Python "
        f"{platform.python_version()}, {arguments.lanes} cells side by side, load before: "
        f"{os.getloadavg()[0]:.1f}; times in ms"
    )
    with tempfile.TemporaryDirectory(prefix="tv") as folder, Stalls(Path(folder)) as stalls:
        table = Table(stalls)
        measure(arguments, Path(folder), table)
    print(
        "stood still: longest time a core gave nothing at all to a watcher of highest priority\n"
        f"required: p99.9 <= {REQUIRED_P999_MS:.0f} ms, max <= {REQUIRED_MAX_MS:.0f} ms; on a"
        f" spoilt controller link max <= {2 * HEARTBEAT_MS} ms (two heartbeat periods)."
        f" {(now_ns() - began_ns) / 60e9:.1f} min"
    )
    if arguments.json:
        arguments.json.write_text(json.dumps(table.rows, indent=1) + "\n", encoding="utf-8")
    return 1 if table.missed else 0


if __name__ == "__main__":
    sys.exit(main())
