"""Carries out the week's faults at a running table.

Real: the engine's process stopped and killed, the history locked, prepared lines deleted,
garbage, a controller that does not read, a flood, the clock of the table's process set.
Ordered from stand-ins: the devices. From a wrapper: the recogniser's error.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import time
from pathlib import Path

from benchmarks.faults.clock import DAY_S, HOUR_S, ShiftedClock
from benchmarks.faults.controller import spoilt
from benchmarks.faults.engine import ENGINE
from benchmarks.faults.running import NeverCame, RunningTable

LOST_S, LOCKED_S, ASLEEP_S = 2.0, 2.0, 2.0
"""True seconds; some minutes of the week."""
FLOOD = 2_000


class Breaker:
    """Breaks what belongs to ``table``, whose cell lies in ``folder``; mends what it broke."""

    def __init__(
        self, table: RunningTable, folder: Path, orders: socket.socket, clock: ShiftedClock | None
    ) -> None:
        self._table = table
        self._folder = folder
        self._orders = orders
        self._clock = clock
        self._chance = random.Random(9)
        self._floods = 0
        self.question = ""
        """The question that was put last."""
        self._looked = 0

    def release_holds(self) -> None:
        """Whoever is at the machine presses its reset when a word was taken for a pause."""
        rows = self._table.since(self._looked)
        self._looked += len(rows)
        if any(row["type"] == "hold_request" for row in rows):
            self._table.send({"v": 1, "type": "hold_cleared", "by": "reset button"})

    def order(self, **order: object) -> None:
        """Have the table's stand-ins do something."""
        self._orders.sendall(json.dumps(order).encode() + b"\n")

    def do(self, what: str) -> bool:
        """Break something and mend it; false where it cannot be broken now."""
        match what:
            case "engine stopped":
                return self._engine(signal.SIGSTOP)
            case "engine killed":
                return self._engine(signal.SIGKILL)
            case "history locked":
                with contextlib.closing(
                    sqlite3.connect(self._folder / "history" / "history.sqlite")
                ) as other:
                    other.isolation_level = None
                    other.execute("BEGIN EXCLUSIVE")
                    time.sleep(LOCKED_S)
            case "lines deleted":
                shutil.rmtree(self._folder / "store", ignore_errors=True)
            case "garbage":
                for _ in range(50):
                    self._table.send(spoilt(self._chance))
            case "controller asleep":
                self._table.reads(False)
                time.sleep(ASLEEP_S)
                self._table.reads(True)
            case "flood":
                self._flood()
            case "loudspeaker lost" | "microphone lost":
                device = what.split(maxsplit=1)[0]
                self.order(**{device: False})
                time.sleep(LOST_S)
                self.order(**{device: True})
            case "recogniser fails":
                self.order(recogniser="fails")
                self.order(say="violet")
            case "clock set":
                if self._clock is None:
                    return False
                self._clock.set(self._chance.choice((-HOUR_S, HOUR_S, -DAY_S, DAY_S, 0.0)))
            case _:
                raise ValueError(f"no such fault: {what}")
        return True

    def _engine(self, how: signal.Signals) -> bool:
        try:
            os.kill(self._table.child(ENGINE, within_s=0.0), how)
        except (NeverCame, ProcessLookupError):
            return False
        return True

    def _flood(self) -> None:
        self._floods += 1
        lines = []
        for number in range(FLOOD):
            event_id = f"flood {self._floods} {number}"
            self._table.sent[event_id] = time.monotonic()
            row = {"v": 1, "type": "event", "id": event_id, "event": "hello"}
            lines.append(json.dumps(row).encode() + b"\n")
        self._table.send_bytes(b"".join(lines))
