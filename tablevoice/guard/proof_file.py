"""The proofs' file: when each stop input was last seen pressed, by the wall clock.

Written by the reporter, whole and under another name first, so that a power cut leaves the
old file or the new one; read by the guard at its start. A file that cannot be read proves
nothing.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

NAME = "proofs.json"


def read_proofs(folder: Path) -> dict[str, float]:
    """Wall time (s) of the last press of each input; empty when there is no sound file."""
    try:
        found = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(found, dict):
        return {}
    return {
        name: float(wall_s)
        for name, wall_s in found.items()
        if isinstance(wall_s, (int, float)) and not isinstance(wall_s, bool) and wall_s == wall_s
    }


def write_proofs(folder: Path, proofs: Mapping[str, float]) -> None:
    """Replace the file.

    Raises:
        OSError: it cannot be written; the old one is untouched.
    """
    fresh = folder / (NAME + ".new")
    with fresh.open("w", encoding="utf-8") as file:
        json.dump(dict(proofs), file)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(folder / NAME)
    if hasattr(os, "O_DIRECTORY"):
        directory = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
