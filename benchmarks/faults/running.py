"""``tablevoice run`` as a child process, and its controller: what was sent, what came back when.

Keeps account of every event: each is to be answered exactly once. Knows no fault.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

Row = dict[str, Any]

ANSWERS = ("answer", "done", "error")
READY_WITHIN_S = 120.0


class NeverCame(AssertionError):
    """What was waited for did not come in time."""


class RunningTable:
    """One process of the table. ``program``: what runs it, ``tablevoice`` as a rule."""

    _numbers = itertools.count(1)

    def __init__(
        self,
        cell: Path,
        environment: Mapping[str, str],
        *,
        program: Sequence[str] = ("-m", "tablevoice"),
    ) -> None:
        self.process = subprocess.Popen(
            [sys.executable, *program, "run", str(cell)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=dict(environment),
        )  # fmt: skip
        self.rows: list[Row] = []
        self.sent: dict[str, float] = {}
        self.answers: Counter[str | None] = Counter()
        self.complaints: list[bytes] = []
        self._news = threading.Condition()
        self._may_read = threading.Event()
        self._may_read.set()
        self._input_shut = False
        self._readers = [
            threading.Thread(target=work, daemon=True) for work in (self._read, self._drain)
        ]
        for reader in self._readers:
            reader.start()

    # --- what the controller does -------------------------------------------------

    def event(self, name: str, **slots: object) -> str:
        """Report an event; gives the id that it got."""
        event_id = f"e{next(self._numbers)}"
        self.sent[event_id] = time.monotonic()
        self.send({"v": 1, "type": "event", "id": event_id, "event": name, "slots": slots})
        return event_id

    def send(self, line: bytes | Row) -> None:
        """Send a message, or any bytes as a line."""
        data = line if isinstance(line, bytes) else json.dumps(line).encode()
        self.send_bytes(data + b"\n")

    def send_bytes(self, data: bytes) -> None:
        assert self.process.stdin is not None
        try:
            self.process.stdin.write(data)
            self.process.stdin.flush()
        except (OSError, ValueError) as error:
            raise NeverCame(f"the table takes nothing any more: {self.said_last()}") from error

    def shut_input(self) -> None:
        """The controller is gone: its end of the pipe is closed."""
        assert self.process.stdin is not None
        self._input_shut = True
        self.process.stdin.close()

    def reads(self, yes: bool) -> None:
        """Whether the controller reads what the table says."""
        (self._may_read.set if yes else self._may_read.clear)()

    # --- what came back -------------------------------------------------------------

    def mark(self) -> int:
        with self._news:
            return len(self.rows)

    def since(self, mark: int) -> list[Row]:
        with self._news:
            return self.rows[mark:]

    def wait_for(self, fits: Callable[[Row], bool], mark: int = 0, within_s: float = 30.0) -> Row:
        """The first message from ``mark`` on that fits. Raises NeverCame."""
        until_s = time.monotonic() + within_s
        with self._news:
            place = mark
            while True:
                while place < len(self.rows):
                    if fits(self.rows[place]):
                        return self.rows[place]
                    place += 1
                left_s = until_s - time.monotonic()
                if left_s <= 0 or (not self.alive and not self._readers[0].is_alive()):
                    raise NeverCame(f"it never came; last {self.rows[-4:]}; {self.said_last()}")
                self._news.wait(min(left_s, 0.2))

    def wait_type(self, kind: str, mark: int = 0, within_s: float = 30.0) -> Row:
        return self.wait_for(lambda row: row["type"] == kind, mark, within_s)

    def outcome_of(self, event_id: str, within_s: float = 30.0) -> Row:
        """How an event was answered."""
        return self.wait_for(
            lambda row: row["type"] in ANSWERS and row.get("id") == event_id, 0, within_s
        )

    def wait_ready(self) -> Row:
        return self.wait_type("ready", 0, READY_WITHIN_S)

    def told(self, mark: int = 0) -> list[Row]:
        """The problems that were reported: errors that answer no message."""
        return [row for row in self.since(mark) if row["type"] == "error" and row["id"] is None]

    def miscounted(self) -> list[str]:
        """Events that were not answered exactly once."""
        with self._news:
            return [
                f"{one} was answered {self.answers[one]} times"
                for one in self.sent
                if self.answers[one] != 1
            ]

    def said_last(self) -> str:
        """The end of what the process wrote for people."""
        return b"".join(self.complaints[-30:]).decode(errors="replace")[-1500:]

    # --- the process ------------------------------------------------------------------

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def child(self, has: bytes, within_s: float = 20.0) -> int:
        """The process that the table started whose command has these bytes in it."""
        until_s = time.monotonic() + within_s
        while True:
            for folder in Path("/proc").iterdir():
                if not folder.name.isdecimal():
                    continue
                with contextlib.suppress(OSError, ValueError):  # it ended while it was looked at
                    parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                    if parent == self.process.pid and has in (folder / "cmdline").read_bytes():
                        return int(folder.name)
            if time.monotonic() >= until_s:
                raise NeverCame(f"the table has no process with {has!r}")
            time.sleep(0.1)

    def kill(self) -> None:
        """End it at once, as a pulled plug would."""
        if self.alive:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()
        self._join()

    def close(self) -> int:
        """End it in order; its exit status."""
        if self.alive and not self._input_shut:
            with contextlib.suppress(NeverCame):
                self.send({"v": 1, "type": "close"})
        try:
            status = self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.kill()
            raise NeverCame(f"the table does not end; {self.said_last()}") from None
        self._join()
        return status

    def _join(self) -> None:
        self._may_read.set()
        for reader in self._readers:
            reader.join(5.0)
        with contextlib.suppress(OSError):
            if self.process.stdin is not None:
                self.process.stdin.close()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as output:
            for line in output:
                self._may_read.wait()
                row = json.loads(line)
                with self._news:
                    self.rows.append(row)
                    if row["type"] in ANSWERS:
                        self.answers[row["id"]] += 1
                    self._news.notify_all()
        with self._news:
            self._news.notify_all()

    def _drain(self) -> None:
        assert self.process.stderr is not None
        with self.process.stderr as output:
            for line in output:
                self.complaints.append(line)
                del self.complaints[:-200]
