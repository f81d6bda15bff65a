"""Where the lines of the log go: a thread writes them, so that no disk or pipe stops a table.

Knows lines of text, standard error and a file of bounded size; not what the lines say.
"""

from __future__ import annotations

import logging
import os
import queue
import threading
from collections.abc import Callable
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any, TypeAlias

from tablevoice.errors import StoreUnwritable

MOST_WAITING = 10_000
"""Lines that wait for a sink that takes none; then the oldest are given up and counted."""

FILE_BYTES, FILES_KEPT = 10_000_000, 5
"""A log file's bound, and how many older ones stay beside it."""

Write: TypeAlias = Callable[[bytes], None]
"""Writes one line; raises OSError."""


def to_standard_error(descriptor: int = 2) -> Write:
    """Without Python's buffer: a thread that hangs in it holds no lock that others need."""

    def write(line: bytes) -> None:
        while line:
            line = line[os.write(descriptor, line) :]

    return write


class _BoundedFile(RotatingFileHandler):
    """Python's rotating file, for its owner alone, whose errors are raised, not printed."""

    def _open(self) -> Any:
        file = os.open(self.baseFilename, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        return os.fdopen(file, "a", encoding="utf-8", errors="backslashreplace")

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - logging's name
        raise  # noqa: PLE0704 - logging calls this while it handles the error


def to_file(path: Path) -> Write:
    """A file that begins anew at 10 MB, the five before it kept. Raises StoreUnwritable."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = _BoundedFile(path, maxBytes=FILE_BYTES, backupCount=FILES_KEPT)
    except OSError as error:
        raise StoreUnwritable(
            f"The log cannot be written: {error.strerror}.", where=str(path),
            do="Name another file with --log-file, or make this one writable.",
        ) from error  # fmt: skip
    handler.setFormatter(logging.Formatter("%(message)s"))

    def write(line: bytes) -> None:
        text = line.decode("utf-8", "replace").rstrip("\n")
        handler.emit(logging.makeLogRecord({"msg": text}))

    return write


class LineSink:
    """Lines in from any thread, out on one of its own. ``lost`` counts those given up."""

    def __init__(self, write: Write) -> None:
        self.lost = 0
        self._write = write
        self._waiting: queue.Queue[bytes | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def put(self, line: str) -> None:
        """Queue a line; never waits."""
        self._put(line.encode("utf-8", "backslashreplace") + b"\n")

    def close(self, timeout_s: float = 2.0) -> None:
        """Write what waits, for a while."""
        self._put(None)
        self._thread.join(timeout_s)

    # What structlog calls, one name for each level.
    msg = log = debug = info = warning = error = critical = exception = put

    def _put(self, line: bytes | None) -> None:
        while True:
            try:
                self._waiting.put_nowait(line)
                return
            except queue.Full:
                try:
                    self._waiting.get_nowait()
                    self.lost += 1
                except queue.Empty:
                    pass

    def _run(self) -> None:
        while (line := self._waiting.get()) is not None:
            try:
                self._write(line)
            except (OSError, ValueError):
                self.lost += 1  # a full disk or a closed pipe; the next line may go through
