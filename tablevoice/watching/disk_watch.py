"""Writes the newest health document and looks how much room a disk has, on a thread of its own.

A disk may hang; whoever looks after the table must not hang with it. Knows two paths and
documents, not what they say. The session's watch hands documents over.
"""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path

from tablevoice.errors import Problem
from tablevoice.watching import health_file
from tablevoice.watching.health_file import Document


class DiskWatch:
    """``file``: where documents go, ``None`` for nowhere. ``beside``: a path on the disk.

    ``free_mb``: room on that disk, as last seen. ``problem``: why the last document was not
    written, ``None`` while all is well.
    """

    def __init__(self, file: Path | None, beside: Path) -> None:
        self.free_mb: float | None = None
        self.problem: Problem | None = None
        self._file = file
        self._beside = beside
        self._news = threading.Condition()
        self._newest: Document | None = None
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="health file", daemon=True)
        self._thread.start()

    def put(self, newest: Document) -> None:
        """Write this one; one that still waits is not written any more. Never waits."""
        with self._news:
            self._newest = newest
            self._news.notify_all()

    def close(self, timeout_s: float = 2.0) -> None:
        """Write the last one, for a while."""
        with self._news:
            self._ending = True
            self._news.notify_all()
        self._thread.join(timeout_s)

    def _run(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(lambda: self._newest is not None or self._ending)
                newest, self._newest = self._newest, None
            if newest is None:
                return
            self._look()
            if self._file is not None:
                self._write(self._file, newest)

    def _look(self) -> None:
        try:
            self.free_mb = shutil.disk_usage(self._beside.parent).free / 1e6
        except OSError:
            self.free_mb = None  # a disk that was taken out; the history says so itself

    def _write(self, file: Path, newest: Document) -> None:
        try:
            health_file.write(file, newest)
            self.problem = None
        except OSError as error:
            reason = os.strerror(error.errno) if error.errno else str(error)
            self.problem = Problem(
                f"The health file cannot be written: {reason}.", str(file),
                "Name another file under 'health:', or make this one's folder writable.",
            )  # fmt: skip
