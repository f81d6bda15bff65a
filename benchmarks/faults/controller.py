"""Faults of the controller: it falls asleep, it goes away, it talks garbage."""

from __future__ import annotations

import random
import time

from benchmarks.faults.bench import Bench
from benchmarks.faults.running import NeverCame


class NotReading:
    """The controller goes on asking and reads no answer for a while; then it reads them all."""

    name = "controller does not read for 10 s"

    def __init__(self, asleep_s: float = 10.0, pings: int = 4_000) -> None:
        self._asleep_s = asleep_s
        self._pings = pings

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._mark = table.mark()
        table.reads(False)
        began_s = time.monotonic()
        self._line = table.event("hello")
        for number in range(self._pings):
            table.send({"v": 1, "type": "ping", "id": f"asleep {number}"})
        time.sleep(max(0.0, began_s + self._asleep_s - time.monotonic()))

    def heals(self, bench: Bench) -> None:
        bench.table.reads(True)

    def holds(self, bench: Bench) -> list[str]:
        self.heals(bench)
        last = f"asleep {self._pings - 1}"
        bench.table.wait_for(lambda row: row.get("id") == last, self._mark)
        pongs = sum(row["type"] == "pong" for row in bench.table.since(self._mark))
        wrong = [] if pongs == self._pings else [f"{pongs} of {self._pings} pings answered"]
        outcome = bench.table.outcome_of(self._line)
        return wrong if outcome["said"] == "said" else [*wrong, f"its line: {outcome}"]


class ControllerGone:
    """The controller ends in the middle of a line: it is said, then the session ends."""

    name = "controller gone"

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._mark = table.mark()
        self._line = table.event("story")
        time.sleep(0.5)
        table.shut_input()

    def heals(self, bench: Bench) -> None:
        """The next one starts a table of its own."""

    def holds(self, bench: Bench) -> list[str]:
        table = bench.table
        outcome = table.outcome_of(self._line)
        wrong = [] if outcome["said"] == "said" else [f"its line: {outcome}"]
        try:
            closed = table.wait_type("closed", self._mark)
        except NeverCame:
            return [*wrong, "the session did not end"]
        status = table.process.wait(20)
        if status != 0 or not closed["why"]:
            wrong.append(f"exit status {status}, {closed}")
        return wrong


class Garbage:
    """Lines that are no messages, among good ones: an error each, and the good ones count."""

    name = "garbage from the controller"

    def __init__(self, lines: int = 300) -> None:
        self._lines = lines

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        chance = random.Random(self._lines)
        self._mark = table.mark()
        for number in range(self._lines):
            table.send(spoilt(chance))
            if number % 100 == 50:
                table.event("hello")
        table.send({"v": 1, "type": "ping", "id": f"after garbage {self._mark}"})

    def heals(self, bench: Bench) -> None:
        """There is nothing to mend."""

    def holds(self, bench: Bench) -> list[str]:
        end = f"after garbage {self._mark}"
        bench.table.wait_for(lambda row: row.get("id") == end, self._mark)
        errors = [row for row in bench.table.since(self._mark) if row["type"] == "error"]
        wrong = [f"no advice: {row}" for row in errors if not (row["what"] and row["do"])]
        if len(errors) != self._lines:
            wrong.append(f"{len(errors)} errors for {self._lines} lines of garbage")
        return wrong


def spoilt(chance: random.Random) -> bytes:
    """A line that no controller should send: never empty, never a whole message."""
    kind = chance.randrange(6)
    if kind == 0:
        return b"\xff" + bytes(chance.choice(range(11, 256)) for _ in range(chance.randrange(200)))
    if kind == 1:
        return b"[" * chance.randrange(1, 2_000)
    if kind == 2:
        return b"x" * chance.randrange(70_000, 90_000)
    if kind == 3:
        return b'{"v":1,"type":"event","id":"spoilt","event":"hello","slots":{"a":NaN}}'
    if kind == 4:
        return b'{"v":9,"type":"hold_cleared","by":"nobody"}'
    return b'{"v":1,"type":"ping"' + b" " * chance.randrange(50)
