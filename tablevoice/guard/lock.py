"""One guard on one state folder: a lock that the system takes back when its holder dies."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import IO

from tablevoice.guard.errors import GuardRefused


def take_lock(folder: Path) -> IO[bytes]:
    """Take the folder's lock and return the open file that holds it; keep it open.

    Raises:
        GuardRefused: another guard holds it, or the folder cannot be used.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = (folder / "guard.lock").open("ab")
    except OSError as problem:
        raise GuardRefused(
            f"the state folder cannot be used: {problem.strerror}",
            where=str(folder),
            do="Make it, writable for the guard's user.",
        ) from problem
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as problem:
        file.close()
        raise GuardRefused(
            "another guard is running on this file",
            where=str(folder),
            do="One guard a table. End the other one first, or leave it running.",
        ) from problem
    return file
