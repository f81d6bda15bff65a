"""``kill -9`` of the session at random moments, beside a stop guard that must not notice.

After each kill the next session goes on: what was answered is in the history, no line comes
back before all others of its event were used, and the guard is the same process with its
permit as before and no trip in its record.
"""

from __future__ import annotations

import contextlib
import json
import queue
import random
import sqlite3
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchmarks.faults.bench import Bench
from benchmarks.faults.room import SoundRoom
from benchmarks.faults.running import NeverCame, RunningTable
from tablevoice.demo.guarded_cell import Bench as Pressed
from tablevoice.demo.guarded_cell import Contacts, GuardedCell
from tablevoice.errors import TablevoiceError
from tablevoice.links.stop_guard import StopGuardLink, status_address
from tablevoice.model import GuardView

EVENTS = ("hello", "story", "hello", "caution")
LONGEST_S = 2.5
"""A session is killed within this time from its readiness on, or while it starts."""

HARMLESS = ("reset", "closed_again", "permit_off_confirmed", "link_up")
"""What the guard writes down when it comes back from inputs that answered late."""

ARMED_WITHIN_S = 120.0

WHILE_STARTING = 0.1
"""Share of the kills that hit a session before it is ready."""


@dataclass(frozen=True, slots=True)
class KillsResult:
    """``rows`` in the history, ``answered`` events of which none may be missing there."""

    kills: int
    starting: int
    answered: int
    rows: int
    said: int
    wrong: tuple[str, ...]
    guard_late: int = 0
    """Times that the guard's own inputs answered too late on this computer, before a start."""


def killed_again_and_again(
    folder: Path,
    room: SoundRoom,
    kills: int,
    seed: int,
    told: Callable[[int], None] = lambda done: None,
    pause_s: float = 0.0,
) -> KillsResult:
    """Kill a guarded table's session so many times. ``told`` hears of each."""
    chance = random.Random(seed)
    with GuardedCell() as pressed:
        guard = _Guard(pressed.guard_file)
        bench = Bench(folder, room, more=f"guard: {pressed.guard_file}\n")
        answered: dict[str, str] = {}
        starting = 0
        for done in range(kills):
            guard.armed(pressed)
            table = RunningTable(bench.cell, room.environment)
            if chance.random() < WHILE_STARTING:
                starting += 1
                time.sleep(chance.uniform(0.1, 1.5))
            else:
                table.wait_ready()
                _wait_armed(table, guard, pressed)
                _talk(table, chance)
            table.kill()
            for row in table.rows:
                if row["type"] in ("done", "answer") and row["id"] in table.sent:
                    answered[row["id"]] = row["type"]
            told(done + 1)
            time.sleep(pause_s)
        wrong = guard.touched()
        with bench:
            bench.start()  # it opens, whatever was left behind
        result = _judged(bench, kills, starting, answered, wrong)
        return replace(result, guard_late=guard.late)


def _wait_armed(table: RunningTable, guard: _Guard, pressed: Pressed) -> None:
    while True:
        try:
            table.wait_for(lambda row: row["type"] == "guard" and row["armed"], within_s=3.0)
            return
        except NeverCame:
            if not table.alive:
                raise
            guard.armed(pressed)


def _talk(table: RunningTable, chance: random.Random) -> None:
    """Events one after another until the moment has come."""
    until_s = time.monotonic() + chance.uniform(0.0, LONGEST_S)
    while (left_s := until_s - time.monotonic()) > 0:
        table.event(chance.choice(EVENTS))
        time.sleep(min(left_s, chance.uniform(0.05, 0.8)))


def _judged(
    bench: Bench, kills: int, starting: int, answered: dict[str, str], wrong: list[str]
) -> KillsResult:
    with contextlib.closing(sqlite3.connect(bench.history)) as db:
        (sound,) = db.execute("PRAGMA integrity_check").fetchone()
        events = {row[0] for row in db.execute("SELECT event_id FROM event")}
        uses = db.execute("SELECT event_id, event, line_key FROM said").fetchall()
        rounds = db.execute("SELECT event, line_key, round FROM spent").fetchall()
    if sound != "ok":
        wrong.append(f"the history is damaged: {sound}")
    if lost := set(answered) - events - {event_id for event_id, *_ in uses}:
        wrong.append(f"{len(lost)} answered events are not in the history: {sorted(lost)[:5]}")
    wrong += early(Counter((event, key) for _, event, key in uses), rounds)
    return KillsResult(kills, starting, len(answered), len(events), len(uses), tuple(wrong))


def early(
    used: Mapping[tuple[str, str], int], rounds: Sequence[tuple[str, str, int]]
) -> list[str]:
    """Lines that came back before their time.

    Each use of a line raises its round, and no line is two rounds ahead of another of its
    event. A use that a kill had wiped out of the memory would show as a line that was used
    more often than its round says, for then it came back too soon.
    """
    found = []
    for event, key, round_ in rounds:
        if used.get((event, key), 0) > round_:
            found.append(f"a line of {event} is in round {round_}, used {used[event, key]} times")
    for event in {event for event, *_ in rounds}:
        of_event = [round_ for name, _, round_ in rounds if name == event]
        if max(of_event) - min(of_event) > 1:
            found.append(f"lines of {event} are rounds apart: {sorted(of_event)}")
    return found


class _Guard:
    """The guard's process and what it has written down, seen from outside."""

    def __init__(self, guard_file: Path) -> None:
        self._file = guard_file
        self._pid = self._process()
        self._lines = len(self._record())
        self.late = 0

    def armed(self, pressed: Pressed) -> None:
        """Arm it where it has tripped because this computer was too slow for its own parts."""
        until_s = time.monotonic() + ARMED_WITHIN_S
        while not self._permit():
            self.late += 1
            with Contacts(pressed) as contacts:
                try:
                    contacts.release_and_reset()
                except TablevoiceError:  # late again
                    if time.monotonic() > until_s:
                        raise

    def touched(self) -> list[str]:
        """What the kills did to it; must be nothing."""
        wrong = [] if self._process() == self._pid else ["the guard is another process"]
        for row in self._record()[self._lines :]:
            # On a busy computer the simulated inputs themselves answer late now and then.
            slow = any(sign in row["why"] for sign in ("unreadable", "late", "no answer"))
            if row["kind"] not in HARMLESS and not slow:
                wrong.append(f"the guard wrote: {row}")
        return wrong

    def _process(self) -> int:
        found = subprocess.run(
            ["pgrep", "-f", f"tablevoice.guard {self._file}"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        (pid,) = found.stdout.split()
        return int(pid)

    def _record(self) -> list[dict[str, str]]:
        record = self._file.parent / "state" / "record.jsonl"
        return [json.loads(line) for line in record.read_text("utf-8").splitlines()]

    def _permit(self) -> bool:
        views: queue.Queue[GuardView] = queue.Queue()
        with StopGuardLink(status_address(self._file), views.put):
            return views.get(timeout=10.0).permit
