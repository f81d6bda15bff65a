"""Measures how much memory listening takes: a process of its own, that does nothing else.

Knows the operating system's account of a process. Called once for each set-up, after the
trials; what a trial takes of the processor is measured in the trials themselves.
"""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tablevoice.corpora.workers import end_with_parent, one_thread_each
from tablevoice.evaluation.cases import Case
from tablevoice.evaluation.working import Bench
from tablevoice.listening.second_opinion import Opinions

ENOUGH_S = 60.0
"""So much of the recordings is heard; the memory has long stopped growing by then."""


@dataclass(frozen=True, slots=True)
class Memory:
    """Resident memory in MB (10^6 bytes): the peak, and before the ear was opened (Python
    and its libraries alone)."""

    peak_mb: float
    before_mb: float


def measure_memory(cell_path: Path, setup: Opinions, cases: Sequence[Case]) -> Memory:
    """Peak of a process that opens one set-up and hears a minute of the cases."""
    heard: list[Case] = []
    for case in cases:
        heard.append(case)
        if sum(one.stop_s - one.start_s for one in heard) >= ENOUGH_S:
            break
    context = multiprocessing.get_context("spawn")
    with one_thread_each(), ProcessPoolExecutor(
        1, mp_context=context, initializer=end_with_parent
    ) as pool:  # fmt: skip
        return pool.submit(_measure, cell_path, setup, heard).result()


def _measure(cell_path: Path, setup: Opinions, cases: Sequence[Case]) -> Memory:
    before_mb = peak_resident_mb()
    bench = Bench(cell_path)
    for case in cases:
        bench.do((case, (("", setup),)))
    return Memory(peak_resident_mb(), before_mb)


def peak_resident_mb() -> float:
    """The most that this process has had in memory so far, in MB (10^6 bytes)."""
    if sys.platform == "win32":
        import psutil

        return float(psutil.Process().memory_info().peak_wset) / 1e6
    status = Path("/proc/self/status")
    if status.exists():
        # Not getrusage: on Linux its peak is at least that of the process which started this
        # one, since it lives on through an exec.
        for line in status.read_text("ascii", errors="replace").splitlines():
            name, _, value = line.partition(":")
            if name == "VmHWM":
                return float(value.split()[0]) * 1024 / 1e6
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6
