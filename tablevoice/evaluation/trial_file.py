"""Keeps finished trials on disk, so that an interrupted run goes on where it stopped.

Knows one append-only file of JSON lines; a last line that was cut off by a power failure is
dropped. Only the run's parent process writes it.
"""

from __future__ import annotations

import errno
import json
import os
from io import FileIO
from pathlib import Path
from types import TracebackType

from tablevoice.errors import StoreUnwritable
from tablevoice.evaluation.trials import Trial, trial_from_json, trial_to_json


class TrialFile:
    """The trials of a report folder, as a context manager; ``kept`` holds them by key."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.kept: dict[str, Trial] = {}
        self.unreadable = 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            # Without a buffer: a line that did not reach the disk must not wait for the end.
            self._file: FileIO = path.open("a+b", buffering=0)
            self._read()
        except OSError as error:
            raise self._unwritable(error) from error

    def _read(self) -> None:
        self._file.seek(0)
        data = self._file.read()
        whole, newline, torn = data.rpartition(b"\n")
        if torn:
            # What comes next must not be glued to half a line.
            self._file.truncate(len(whole) + len(newline))
        for line in whole.splitlines():
            try:
                trial = trial_from_json(json.loads(line))
            except (KeyError, TypeError, ValueError):
                self.unreadable += 1  # damaged, or of an older version: it is tried again
                continue
            self.kept[trial.key] = trial

    def add(self, trial: Trial) -> None:
        """Raises StoreUnwritable, for instance when the disk is full."""
        line = json.dumps(trial_to_json(trial), ensure_ascii=False, separators=(",", ":"))
        try:
            data = line.encode() + b"\n"
            if self._file.write(data) != len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError as error:
            raise self._unwritable(error) from error
        self.kept[trial.key] = trial

    def __enter__(self) -> TrialFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as failed:
            if error is None:
                raise self._unwritable(failed) from failed
        finally:
            self._file.close()

    def _unwritable(self, error: OSError) -> StoreUnwritable:
        return StoreUnwritable(
            f"the trials cannot be kept ({error.strerror or error}).",
            where=str(self.path),
            do="Check that the folder exists, that this user may write there and that the disk"
            " has room; what was tried so far is kept.",
        )
