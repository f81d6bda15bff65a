"""Ask the system to favour the guard: real-time priority, locked memory, last to be killed.

Each is asked for once, at the start, and none is needed to run: what was not given is told,
in the log and in the status, with the way to get it. Linux; elsewhere it says so.
"""

from __future__ import annotations

import ctypes
import os
import sys
from dataclasses import dataclass
from pathlib import Path

REAL_TIME_PRIORITY = 45
"""Above everything ordinary, below a real-time kernel's interrupt threads (50), whose network
work the guard waits for."""

_MCL_CURRENT, _MCL_FUTURE = 1, 2  # <sys/mman.h>, Linux on x86 and Arm


@dataclass(frozen=True, slots=True)
class Favour:
    """What the system granted; ``refused`` says what it did not and what to do about it."""

    real_time: bool
    locked_memory: bool
    refused: tuple[str, ...]


def ask_for_memory_and_life() -> tuple[bool, list[str]]:
    """Lock memory and ask to be spared when memory runs out; True when memory is locked."""
    if sys.platform != "linux":
        return False, [f"memory is not locked on {sys.platform}"]
    refused: list[str] = []
    try:
        Path("/proc/self/oom_score_adj").write_text("-900")
    except OSError:
        refused.append("may be killed when memory runs out (OOMScoreAdjust=-900 in the unit file)")
    libc = ctypes.CDLL(None, use_errno=True)
    locked = libc.mlockall(_MCL_CURRENT | _MCL_FUTURE) == 0
    if not locked:
        refused.append(
            f"memory not locked: {os.strerror(ctypes.get_errno())}"
            " (LimitMEMLOCK=infinity in the unit file)"
        )
    return locked, refused


def ask_for_real_time() -> tuple[bool, list[str]]:
    """Ask for first-in-first-out scheduling for this process; children do not inherit it."""
    if sys.platform != "linux":
        return False, [f"no real-time priority on {sys.platform}"]
    try:
        os.sched_setscheduler(
            0,
            os.SCHED_FIFO | os.SCHED_RESET_ON_FORK,
            os.sched_param(REAL_TIME_PRIORITY),
        )
    except OSError as problem:
        return False, [
            f"no real-time priority: {problem.strerror} (LimitRTPRIO={REAL_TIME_PRIORITY}"
            " in the unit file)"
        ]
    return True, []


def ask_for_all() -> Favour:
    """Ask for everything, priority last."""
    locked, refused = ask_for_memory_and_life()
    real_time, more = ask_for_real_time()
    return Favour(real_time, locked, (*refused, *more))
