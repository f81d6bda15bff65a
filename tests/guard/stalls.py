"""How long the computer itself stood still, so that its failings are not taken for the guard's.

A watcher of highest real-time priority sits on every core (``stall_watch.c``). What kept it
waiting kept everybody waiting: a virtual machine that was put aside, or the kernel's limit for
real-time processes. Used by the tests' bounds and by the benchmark; it decides nothing of the
guard's.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from tests.guard.cell import MS, build

REQUIRED_MAX_NS = 50 * MS
"""What is required of the guard: no reaction is longer."""
UNFAVOURED_MAX_NS = 250 * MS
"""Where the system refuses real-time priority, nothing is promised; this finds plain faults."""
TELLING_S = 0.3
"""Time for a watcher's line to arrive here."""


def union_ns(stalls: Sequence[tuple[int, int]], from_ns: int, to_ns: int) -> int:
    """How much of the time between is covered by at least one of (begin, length)."""
    covered, reached_ns = 0, from_ns
    for began_ns, length_ns in sorted(stalls):
        fresh_ns, end_ns = max(began_ns, reached_ns), min(began_ns + length_ns, to_ns)
        if end_ns > fresh_ns:
            covered += end_ns - fresh_ns
            reached_ns = end_ns
    return covered


class Stalls:
    """Watches, on every core that this process may use, from construction to ``stop``."""

    def __init__(self, folder: Path) -> None:
        program = build(folder, "stall_watch")
        self._seen: list[tuple[int, int]] = []
        self._taken = 0
        self.real_time = True
        cores = sorted(os.sched_getaffinity(0)) if sys.platform == "linux" else [0]
        self._watching = [
            subprocess.Popen([str(program), str(core)], stdout=subprocess.PIPE, text=True)
            for core in cores
        ]
        for one in self._watching:
            assert one.stdout is not None
            ready = one.stdout.readline().split()
            assert ready[:1] == ["ready"], "a watcher did not start"
            self.real_time = self.real_time and ready[1] == "1"
            threading.Thread(target=self._read, args=(one,), daemon=True).start()

    def _read(self, one: subprocess.Popen[str]) -> None:
        assert one.stdout is not None
        for line in one.stdout:
            begin, length = line.split()
            self._seen.append((int(begin), int(length)))

    @property
    def processes(self) -> tuple[int, ...]:
        """The watchers' process numbers, in the order of the cores."""
        return tuple(one.pid for one in self._watching)

    @property
    def max_ns(self) -> int:
        """The longest reaction that is allowed on this system."""
        return REQUIRED_MAX_NS if self.real_time else UNFAVOURED_MAX_NS

    def between_ns(self, from_ns: int, to_ns: int) -> int:
        """How long at least one core stood still in that time (times of the guard's clock)."""
        time.sleep(TELLING_S)
        return union_ns(tuple(self._seen), from_ns, to_ns)

    def excess_ns(self, began_ns: int, reaction_ns: int, bound_ns: int | None = None) -> int:
        """By how much a reaction was too long, the computer's own stand-still taken off; or 0.

        Only a reaction that is over the bound (default: ``max_ns``) is looked at, so nothing
        is taken off one that kept it.
        """
        over_ns = reaction_ns - (self.max_ns if bound_ns is None else bound_ns)
        if over_ns > 0:
            over_ns -= self.between_ns(began_ns, began_ns + reaction_ns)
        return max(over_ns, 0)

    def take_ms(self) -> float:
        """The longest stand-still since the last call; 0: none over 5 ms."""
        time.sleep(TELLING_S)
        fresh = self._seen[self._taken :]
        self._taken += len(fresh)
        return max((length_ns for _, length_ns in fresh), default=0) / 1e6

    def stop(self) -> None:
        for one in self._watching:
            one.kill()
            one.wait()

    def __enter__(self) -> Stalls:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
