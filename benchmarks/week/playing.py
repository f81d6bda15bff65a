"""Plays the week at a running table: events and answers on time, faults between them."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import shutil
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchmarks.faults.bench import BOOK, CELL
from benchmarks.faults.clock import ShiftedClock
from benchmarks.faults.running import NeverCame, RunningTable
from benchmarks.week.breaking import Breaker
from benchmarks.week.fast_clock import SPEED
from benchmarks.week.fast_table import CONTROL
from benchmarks.week.sampling import Sample, Sampler
from benchmarks.week.schedule import WEEK_S, Happening, happenings

ANSWERED_WITHIN_S = 30.0
NOTES = 200
"""Different remarks, each rendered the first time and known from then on."""

SLOWER_QUESTIONS = ("wait_s: 4", "wait_s: 240")
"""Listening takes as long as ever, so by the fast clock a person takes minutes to answer."""


@dataclass(slots=True)
class Week:
    """What was played and what was seen. Times in true seconds since the beginning."""

    speed: float
    hours: float
    samples: list[Sample] = field(default_factory=list)
    faults: list[tuple[float, str]] = field(default_factory=list)
    sound_s: list[tuple[float, float]] = field(default_factory=list)
    """Of each line that sounded: session time of its event, and until it sounded."""
    counts: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    latest_s: float = 0.0
    """How far behind its time the playing itself was at most."""


def played(
    folder: Path,
    hours: float,
    seed: int,
    every_s: float,
    told: Callable[[str], None],
    speed: float = WEEK_S / 3_600.0,
) -> Week:
    """Play so many true hours of the week in ``folder``."""
    week = Week(speed, hours)
    (folder / "book.yaml").write_text(BOOK.replace(*SLOWER_QUESTIONS), encoding="utf-8")
    (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
    clock = ShiftedClock(folder) if shutil.which("gcc") else None
    listening = socket.socket(socket.AF_UNIX)
    with listening:
        listening.bind(str(folder / "control"))
        listening.listen(1)
        environment = {
            **os.environ, SPEED: str(speed), CONTROL: str(folder / "control"),
            **(clock.environment if clock is not None else {}),
        }  # fmt: skip
        table = RunningTable(
            folder / "cell.yaml", environment, program=("-m", "benchmarks.week.fast_table")
        )
        orders, _ = listening.accept()
        with orders:
            try:
                table.wait_ready()
                _play(week, table, Breaker(table, folder, orders, clock), seed, every_s, told)
                _count(week, table)
                status = table.close()
                if status != 0:
                    week.wrong.append(f"it ended with status {status}: {table.said_last()}")
            finally:
                table.kill()
    week.sound_s = _sound(next((folder / "records").glob("*/session.jsonl")))
    return week


def _play(
    week: Week,
    table: RunningTable,
    breaker: Breaker,
    seed: int,
    every_s: float,
    told: Callable[[str], None],
) -> None:
    began_s = time.monotonic()
    until_s = week.hours * 3_600.0 * week.speed
    faults: queue.SimpleQueue[str | None] = queue.SimpleQueue()

    def break_things() -> None:
        while (what := faults.get()) is not None:
            at_s = time.monotonic() - began_s
            if breaker.do(what):
                week.faults.append((round(at_s, 1), what))

    # Beside the events, so that play goes on while something is broken.
    breaking = threading.Thread(target=break_things, daemon=True)
    breaking.start()
    with Sampler(table.process.pid, every_s, lambda: _ping_ms(table)) as sampler:
        told_s = began_s
        for happening in happenings(seed, until_s):
            due_s = began_s + happening.at_s / week.speed
            left_s = due_s - time.monotonic()
            week.latest_s = max(week.latest_s, -left_s)
            time.sleep(max(0.0, left_s))
            if not table.alive:
                week.wrong.append(f"it ended: {table.said_last()}")
                break
            if happening.kind == "fault":
                faults.put(happening.what)
            else:
                _happen(happening, table, breaker)
            if time.monotonic() > told_s + every_s:
                told_s = time.monotonic()
                told(_progress(week, table, sampler, told_s - began_s))
        time.sleep(max(0.0, began_s + until_s / week.speed - time.monotonic()))
        faults.put(None)
        breaking.join(60.0)
    week.samples = sampler.samples


def _happen(happening: Happening, table: RunningTable, breaker: Breaker) -> None:
    breaker.release_holds()
    if happening.kind == "event":
        slots = {"note": f"Note {len(table.sent) % NOTES}"} if happening.what == "remark" else {}
        table.event(happening.what, **slots)
    elif breaker.question and not table.answers[breaker.question]:
        table.event("hello")  # the person is still busy with the last one
    else:
        breaker.question = table.event(happening.what)
        if happening.spoken:
            breaker.order(say=happening.word)
        else:
            table.send({"v": 1, "type": "button", "button": happening.word, "id": "press"})


def _ping_ms(table: RunningTable) -> float:
    mark, began_s = table.mark(), time.monotonic()
    ping = f"ping {began_s}"
    table.send({"v": 1, "type": "ping", "id": ping})
    with contextlib.suppress(NeverCame):
        table.wait_for(lambda row: row.get("id") == ping, mark, 10.0)
    return 1000.0 * (time.monotonic() - began_s)


def _progress(week: Week, table: RunningTable, sampler: Sampler, at_s: float) -> str:
    last = sampler.samples[-1] if sampler.samples else None
    seen = "" if last is None else (
        f"{last.resident_mb:.0f} MB, {last.handles} handles, {last.threads} threads,"
        f" ping {last.answer_ms:.1f} ms, load {last.load}"
    )  # fmt: skip
    return (
        f"day {at_s * week.speed / 86_400:.2f}: {len(table.sent)} events,"
        f" {len(week.faults)} faults, {seen}"
    )


def _count(week: Week, table: RunningTable) -> None:
    table.send({"v": 1, "type": "hold_cleared", "by": "reset button"})
    table.send({"v": 1, "type": "button", "button": "teal", "id": "press"})
    until_s = time.monotonic() + ANSWERED_WITHIN_S
    while (miscounted := table.miscounted()) and time.monotonic() < until_s:
        time.sleep(0.5)
    week.wrong += miscounted[:20]
    rows = table.since(0)

    def count(**wanted: object) -> int:
        return sum(all(row.get(name) == value for name, value in wanted.items()) for row in rows)

    week.counts = {
        "events": len(table.sent),
        "said": count(type="said", said="said"),
        "heard": count(type="heard"),
        "answers by voice": count(type="answer", how="voice"),
        "answers by button": count(type="answer", how="button"),
        "holds asked for": count(type="hold_request"),
        "refused": sum(row["type"] == "error" and row["id"] is not None for row in rows),
        "problems told": len(table.told()),
    }
    without = [row for row in table.told() if not (row["what"] and row["do"])]
    week.wrong += [f"told without advice: {row}" for row in without[:5]]


def _sound(record: Path) -> list[tuple[float, float]]:
    """Of each line: when its event came by the session's clock, and how long until it sounded."""
    came: dict[str, float] = {}
    found = []
    with record.open(encoding="utf-8") as rows:
        for line in rows:
            row: dict[str, Any] = json.loads(line)
            if row["from"] == "cell" and row["type"] == "event":
                came[row["id"]] = row["at_s"]
            elif row["type"] == "said" and row["start_s"] is not None and row["id"] in came:
                found.append((came[row["id"]], row["start_s"] - came.pop(row["id"])))
    return found
