"""Renders ahead every line of a cell that can be known, and tells what became of them.

The same preparation that a table makes when it opens, with a closer look at what is there.
Called by ``tablevoice prepare``.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from tablevoice.assembly import Assembly
from tablevoice.cell import Cell
from tablevoice.errors import Problem
from tablevoice.speech.preparing import Prepared, Progress


@dataclass(frozen=True, slots=True)
class Told:
    """What a person is told: ``lines`` of text, then the ``problems``."""

    lines: tuple[str, ...]
    problems: tuple[Problem, ...]


def prepare_lines(cell: Cell, progress: Progress | None, *, look_closely: bool) -> Told:
    """Prepare the lines of ``cell``. Raises EngineFailed when an engine does not start."""
    with Assembly(cell, remember=False) as parts:
        missing = parts.missing_voices()
        if missing:
            return Told((), tuple(missing))
        begun_s = time.perf_counter()
        prepared = parts.prepare(progress, look_closely=look_closely)
        took_s = time.perf_counter() - begun_s
        megabytes = parts.store.disk_bytes / 1e6
        lines = _told(cell, prepared, took_s, megabytes)
        return Told(tuple(lines), (*parts.problems, *prepared.problems))


def _told(cell: Cell, prepared: Prepared, took_s: float, megabytes: float) -> list[str]:
    lines = [f"{prepared.made + prepared.kept} lines are prepared, {prepared.made} of them now."]
    if prepared.made:
        lines.append(
            f"{prepared.made_s:.0f} s of sound in {took_s:.1f} s:"
            f" {prepared.made_s / took_s:.0f} × real time."
        )
    if prepared.damaged:
        lines.append(f"{prepared.damaged} were damaged and made again.")
    if prepared.held_down:
        lines.append(
            f"{prepared.held_down} of those made stay below {cell.loudness.target_lufs:g} LUFS for"
            f" their peaks, the furthest by {prepared.held_down_db:.1f} dB; a lower target_lufs"
            " would make them even."
        )
    if prepared.left_out:
        lines.append(f"{prepared.left_out} were left out and are rendered when they are said.")
    lines.append(f"{megabytes:.1f} of {cell.store_max_mb} MB in {cell.store_folder}.")
    return lines
