"""Looks at a running process once in a while, and says whether it stays as it is.

Knows what to measure and what a flat line is; knows no table.
"""

from __future__ import annotations

import statistics
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import psutil
from scipy.stats import theilslopes


@dataclass(frozen=True, slots=True)
class Sample:
    """One look: ``at_s`` true seconds since the beginning; the process alone, then all it started.

    ``answer_ms``: from a ping until its answer.
    """

    at_s: float
    resident_mb: float
    handles: int
    threads: int
    answer_ms: float
    children: int
    children_mb: float
    load: float


class Sampler:
    """Takes a sample every ``every_s`` in a thread of its own; a context manager."""

    def __init__(self, process_id: int, every_s: float, ping_ms: Callable[[], float]) -> None:
        self.samples: list[Sample] = []
        self._process = psutil.Process(process_id)
        self._every_s = every_s
        self._ping_ms = ping_ms
        self._began_s = time.monotonic()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="samples", daemon=True)

    def __enter__(self) -> Sampler:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(30.0)

    def _run(self) -> None:
        while not self._ending.wait(self._every_s):
            try:
                self.samples.append(self._look())
            except psutil.NoSuchProcess:
                return

    def _look(self) -> Sample:
        answers = [self._ping_ms() for _ in range(5)]
        children = self._process.children(recursive=True)
        sizes = [_resident_mb(child) for child in children]
        return Sample(
            round(time.monotonic() - self._began_s, 1), _resident_mb(self._process),
            self._process.num_fds(), self._process.num_threads(),
            round(statistics.median(answers), 2), len(children), sum(sizes),
            round(psutil.getloadavg()[0], 1),
        )  # fmt: skip


def _resident_mb(process: psutil.Process) -> float:
    try:
        return round(float(process.memory_info().rss) / 1e6, 2)
    except psutil.NoSuchProcess:  # a child that ended while it was looked at
        return 0.0


@dataclass(frozen=True, slots=True)
class Trend:
    """How a value went over the week, its first tenth left out (things are loaded then).

    ``growth``: what the Theil–Sen line (the median of the slopes of all pairs, which a few
    outliers cannot bend) gains from end to end; ``low``, ``high``: its 95 % interval.
    """

    median: float
    growth: float
    low: float
    high: float


def trend(times_s: Sequence[float], values: Sequence[float]) -> Trend:
    """The trend of a series of at least ten samples."""
    first = max(1, len(values) // 10)
    times, kept = times_s[first:], values[first:]
    slope, _, low, high = theilslopes(kept, times, 0.95)
    span_s = times[-1] - times[0]
    return Trend(
        float(statistics.median(kept)), round(float(slope * span_s), 3),
        round(float(low * span_s), 3), round(float(high * span_s), 3),
    )  # fmt: skip


BOUNDS = {"resident_mb": 0.05, "handles": 0.05, "threads": 0.05, "answer_ms": 0.5}
"""How much of its median each may gain over the week and still count as flat."""


def flat(name: str, found: Trend) -> bool:
    """Whether a trend is within its bound; a gain that may as well be none is."""
    return found.low <= 0.0 or found.growth <= BOUNDS[name] * max(found.median, 1.0)
