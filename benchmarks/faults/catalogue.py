"""All faults, and the bench that each needs.

Faults that leave the table running share one; what needs a disk, a clock or a recogniser of
its own gets a bench of its own.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from benchmarks.faults.bench import Bench
from benchmarks.faults.clock import ClockJumps, ShiftedClock
from benchmarks.faults.clock import missing as clock_missing
from benchmarks.faults.controller import ControllerGone, Garbage, NotReading
from benchmarks.faults.engine import EngineCrashed, EngineHung
from benchmarks.faults.fault import Fault
from benchmarks.faults.files import (
    DiskFull,
    HistoryCorrupt,
    HistoryLocked,
    SmallDisk,
    StoreDeleted,
)
from benchmarks.faults.recogniser import (
    ORDERS,
    PROGRAM,
    RecogniserCrashes,
    RecogniserFails,
    RecogniserHung,
)
from benchmarks.faults.room import SoundRoom
from benchmarks.faults.sound import LoudspeakerGone, MicrophoneGone, SoundServerKilled


@dataclass(frozen=True, slots=True)
class Group:
    """Faults that one bench will do for. ``missing``: why they cannot be tried here."""

    name: str
    bench: Callable[[Path, SoundRoom], contextlib.AbstractContextManager[Bench]]
    faults: Callable[[Path], tuple[Fault, ...]]
    missing: str = ""


@contextlib.contextmanager
def plain_bench(folder: Path, room: SoundRoom) -> Iterator[Bench]:
    with Bench(folder, room) as bench:
        yield bench


@contextlib.contextmanager
def small_disk_bench(folder: Path, room: SoundRoom) -> Iterator[Bench]:
    with SmallDisk(folder / "history"), Bench(folder, room) as bench:
        yield bench


@contextlib.contextmanager
def clock_bench(folder: Path, room: SoundRoom) -> Iterator[Bench]:
    with Bench(folder, room, environment=ShiftedClock(folder).environment) as bench:
        yield bench


@contextlib.contextmanager
def obeying_bench(folder: Path, room: SoundRoom) -> Iterator[Bench]:
    orders = {ORDERS: str(folder / "orders")}
    with Bench(folder, room, environment=orders, program=PROGRAM) as bench:
        yield bench


GROUPS = (
    Group(
        "plain", plain_bench,
        lambda folder: (
            MicrophoneGone(), LoudspeakerGone(), SoundServerKilled(), EngineHung(),
            EngineCrashed(), NotReading(), Garbage(), HistoryLocked(), StoreDeleted(),
            HistoryCorrupt(), ControllerGone(),
        ),
    ),
    Group(
        "recogniser", obeying_bench,
        lambda folder: (
            RecogniserHung(folder / "orders"), RecogniserFails(folder / "orders"),
            RecogniserCrashes(folder / "orders"),
        ),
    ),
    Group(
        "small disk", small_disk_bench, lambda folder: (DiskFull(),),
        missing="" if os.geteuid() == 0 else "mounting a small disk takes a superuser",
    ),
    Group(
        "clock", clock_bench, lambda folder: (ClockJumps(ShiftedClock(folder)),),
        missing=clock_missing,
    ),
)  # fmt: skip
