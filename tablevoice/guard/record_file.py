"""The record: one JSON line for everything that happened, appended by a thread of its own.

The reporter puts lines into a bounded queue and never waits; when the disk is slow, full or
gone, lines are dropped and counted, and the count is written with the next line that gets
through. Proofs go the same way.
"""

from __future__ import annotations

import datetime
import json
import os
import queue
import threading
from collections.abc import Mapping
from pathlib import Path

from tablevoice.guard.proof_file import read_proofs, write_proofs

NAME = "record.jsonl"
LINES_WAITING_AT_MOST = 1_000


class RecordFile:
    """Appends to ``record.jsonl`` and keeps the proofs in a state folder."""

    def __init__(self, folder: Path) -> None:
        self.dropped = 0
        self.problem = ""
        self._folder = folder
        self._proofs = read_proofs(folder)
        self._waiting: queue.Queue[tuple[str, Mapping[str, object]] | None] = queue.Queue(
            LINES_WAITING_AT_MOST
        )
        self._thread = threading.Thread(target=self._write, daemon=True)
        self._thread.start()

    def line(self, message: Mapping[str, object]) -> None:
        """Queue one line; full means dropped."""
        self._put(("line", message))

    def proof(self, name: str, wall_s: float) -> None:
        """Queue one proof."""
        self._put(("proof", {name: wall_s}))

    def end(self, within_s: float) -> None:
        """Write what is waiting, but wait no longer than ``within_s``."""
        try:
            self._waiting.put(None, timeout=within_s)
        except queue.Full:
            return
        self._thread.join(within_s)

    def _put(self, what: tuple[str, Mapping[str, object]]) -> None:
        try:
            self._waiting.put_nowait(what)
        except queue.Full:
            self.dropped += 1

    def _write(self) -> None:
        while (what := self._waiting.get()) is not None:
            kind, message = what
            try:
                if kind == "proof":
                    for name, wall_s in message.items():
                        if isinstance(wall_s, float):
                            self._proofs[name] = wall_s
                    write_proofs(self._folder, self._proofs)
                else:
                    self._append(message)
                self.problem = ""
            except OSError as problem:
                self.dropped += 1
                self.problem = f"{self._folder}: {problem.strerror}"

    def _append(self, message: Mapping[str, object]) -> None:
        # Opened anew for each line: a file that was moved away or lost is simply made again.
        line = {**message}
        if self.dropped:
            line["lines_dropped_before"] = self.dropped
        data = (json.dumps(line) + "\n").encode()
        handle = os.open(self._folder / NAME, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            start = os.lseek(handle, 0, os.SEEK_END)
            if os.write(handle, data) != len(data):
                os.ftruncate(handle, start)  # no half lines
                raise OSError(28, "no space left for a whole line")
            os.fsync(handle)
        finally:
            os.close(handle)
        self.dropped = 0


def record_line(message: Mapping[str, object]) -> dict[str, object]:
    """The line for a record message of the guard, with its time written out for people."""
    wall_s = message.get("wall_s")
    wall = ""
    if isinstance(wall_s, (int, float)):
        wall = datetime.datetime.fromtimestamp(wall_s, datetime.timezone.utc).isoformat(
            timespec="milliseconds"
        )
    return {
        "wall": wall,
        "monotonic_s": message.get("monotonic_s"),
        "kind": message.get("kind"),
        "why": message.get("why"),
    }
