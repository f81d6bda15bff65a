"""Tries one target on many spoilt inputs, in a process of its own: a library may crash it."""

from __future__ import annotations

import json
import multiprocessing
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path

import psutil

from benchmarks.fuzz.spoiling import spoilt
from benchmarks.fuzz.targets import TARGETS, Target

SLOWEST_S = 2.0
"""An input that takes longer counts as a hang; there is none in a phrasebook of 10,000 lines."""

WARM_SHARE = 0.3
LEAK_BYTES_AN_INPUT = 64
LEAK_AT_LEAST_MB = 8.0
"""Memory settles in steps: less than this, or than so much for each input, is no leak."""

MOST_CRASHES = 20
_TELL_EVERY = 500


@dataclass(frozen=True, slots=True)
class Tried:
    """``crashes``: number of the input and what happened. ``grown_mb``: after the first third."""

    name: str
    inputs: int
    refused: int
    seconds: float
    slowest_s: float
    grown_mb: float
    crashes: tuple[tuple[int, str], ...]

    @property
    def leaks(self) -> bool:
        least = self.inputs * (1 - WARM_SHARE) * LEAK_BYTES_AN_INPUT / 1e6
        return self.grown_mb > max(LEAK_AT_LEAST_MB, least)

    @property
    def wrong(self) -> list[str]:
        found = [f"{self.name}: input {number}: {what}" for number, what in self.crashes]
        if self.leaks:
            found.append(f"{self.name}: {self.grown_mb:.1f} MB more after {self.inputs} inputs")
        if self.slowest_s > SLOWEST_S:
            found.append(f"{self.name}: one input took {self.slowest_s:.1f} s")
        return found


def tried(
    target: Target, inputs: int, seed: int, told: Callable[[int], None] = lambda done: None
) -> Tried:
    """Try ``inputs`` spoilt inputs; ``told`` hears how many are done."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    place = [one.name for one in TARGETS].index(target.name)
    began_s = time.monotonic()
    process = context.Process(target=_work, args=(place, inputs, seed, theirs), daemon=True)
    process.start()
    theirs.close()
    done, report = 0, None
    try:
        while True:
            text = ours.recv()
            if isinstance(text, int):
                done = text
                told(done)
            else:
                report = json.loads(text)
    except EOFError:
        process.join()
    seconds = round(time.monotonic() - began_s, 1)
    if report is None:
        crash = (done, f"the process ended with {process.exitcode}, within {_TELL_EVERY} inputs")
        return Tried(target.name, done, 0, seconds, 0.0, 0.0, (crash,))
    crashes = tuple((number, what) for number, what in report["crashes"])
    return Tried(target.name, inputs, report["refused"], seconds, report["slowest_s"],
                 report["grown_mb"], crashes)  # fmt: skip


def _work(place: int, inputs: int, seed: int, report: Connection) -> None:
    target = TARGETS[place]

    def told(done: int) -> None:
        if done % _TELL_EVERY == 0:
            report.send(done)

    with tempfile.TemporaryDirectory(prefix="tv") as name:
        found = fed(target, inputs, seed, Path(name), told)
    report.send(json.dumps(asdict(found)))


@dataclass(slots=True)
class Fed:
    """What came of feeding one target."""

    refused: int = 0
    slowest_s: float = 0.0
    grown_mb: float = 0.0
    crashes: list[tuple[int, str]] = field(default_factory=list)


def fed(
    target: Target,
    inputs: int,
    seed: int,
    folder: Path,
    told: Callable[[int], None] = lambda done: None,
) -> Fed:
    """Feed a target in this very process; ``folder`` is for the files that it reads."""
    good, found, warm_mb = target.good(), Fed(), 0.0
    process = psutil.Process()
    attempt = target.opened(folder)
    for data in good:
        _fed(attempt, data, target)
    for number in range(inputs):
        data = spoilt(good, target.name, seed, number)
        began_s = time.process_time()  # a computer busy with other work makes nothing hang
        try:
            found.refused += _fed(attempt, data, target)
        except Exception:  # noqa: BLE001 - this is what is looked for
            if len(found.crashes) < MOST_CRASHES:
                found.crashes.append((number, traceback.format_exc(limit=-3)))
        found.slowest_s = max(found.slowest_s, round(time.process_time() - began_s, 3))
        if number == int(WARM_SHARE * inputs):
            warm_mb = process.memory_info().rss / 1e6
        told(number)
    found.grown_mb = round(process.memory_info().rss / 1e6 - warm_mb, 2)
    return found


def _fed(attempt: Callable[[bytes], None], data: bytes, target: Target) -> bool:
    """Whether it was refused, as it may be."""
    try:
        attempt(data)
    except target.allowed:
        return True
    return False
