"""What was said at a table as W3C WebVTT captions, one cue a line, with the voice's name.

Pure text: knows the format, not where the lines come from or where the file goes.
Called by the session's record, so that a screen can show what an arm says.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cue:
    """``text`` said by ``voice`` from ``start_s`` to ``end_s`` of the session."""

    voice: str
    start_s: float
    end_s: float
    text: str


def webvtt(cues: Iterable[Cue], *, title: str = "") -> str:
    """A complete WebVTT file (W3C WebVTT: signature, cue timings, voice spans)."""
    heading = f"WEBVTT - {_one_line(title)}" if title else "WEBVTT"
    blocks = [heading]
    for number, cue in enumerate(cues, 1):
        end_s = max(cue.end_s, cue.start_s + 0.001)
        times = f"{_timestamp(cue.start_s)} --> {_timestamp(end_s)}"
        blocks.append(f"{number}\n{times}\n<v {_escaped(cue.voice)}>{_escaped(cue.text)}</v>")
    return "\n\n".join(blocks) + "\n"


def _timestamp(time_s: float) -> str:
    ms = max(0, math.floor(time_s * 1000 + 0.5))
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _escaped(text: str) -> str:
    return html.escape(_one_line(text), quote=False)


def _one_line(text: str) -> str:
    # A blank line would end the cue, and "-->" would be read as a timing.
    return " ".join(text.split()).replace("-->", "→")
