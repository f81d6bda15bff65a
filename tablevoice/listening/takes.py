"""Says whether a recording of one word is fit to learn from, and if not, why not.

Pure: samples in, one problem out. Measures levels in the speech band; knows no words.
Called by the enrolment for every take.
"""

from __future__ import annotations

import numpy as np

from tablevoice.errors import Problem
from tablevoice.listening.framing import FRAME_S, FRAME_SAMPLES, BandMeter, dbfs
from tablevoice.model import LISTENING_RATE_HZ, Samples

SHORTEST_S = 0.15
LONGEST_S = 4.0
QUIETEST_DBFS = -45.0
"""Speech below this is so near the noise of common sound cards that little of it is left."""

CLEAR_DB = 10.0
"""So far the loudest of a word must stand above the room, or the room is learnt with it."""

EDGE_FRAMES = 2
"""Speech in the first or last 20 ms: it began or ended outside the recording."""

_BELOW_PEAK_DB = 26.0
_ABOVE_FLOOR_DB = 6.0
_FLOOR_SHARE = 10.0
_CLIPPED_FROM, _CLIPPED_RUN, _CLIPPED_RUNS = 0.95, 3, 3


def take_problem(samples: Samples) -> Problem | None:
    """What is wrong with a take of one word: 16 kHz, shape ``(n,)``; ``None`` if it is fit."""
    count = len(samples) // FRAME_SAMPLES
    if count * FRAME_S < SHORTEST_S:
        return Problem(
            f"The take lasts {len(samples) / LISTENING_RATE_HZ:.2f} s: that is no word.",
            do="Say the whole word.",
        )
    levels = np.array(
        [dbfs(float(p)) for p in BandMeter().measure(samples[: count * FRAME_SAMPLES])]
    )
    peak_dbfs = float(levels.max())
    floor_dbfs = float(np.percentile(levels, _FLOOR_SHARE))
    if _clipped(samples):
        return Problem(
            "The take is clipped: its loudest parts are cut off.",
            do="Speak more softly, step back, or turn the microphone down.",
        )
    if peak_dbfs < QUIETEST_DBFS - 20.0:
        return Problem("Nothing was heard in the take.", do="Check the microphone, then speak.")
    if peak_dbfs - floor_dbfs < CLEAR_DB:
        return Problem(
            f"The word stands only {peak_dbfs - floor_dbfs:.0f} dB above the room.",
            do="Come closer, or wait until the machine is quiet.",
        )
    spoken = np.flatnonzero(
        levels > max(peak_dbfs - _BELOW_PEAK_DB, floor_dbfs + _ABOVE_FLOOR_DB)
    )
    level_dbfs = dbfs(float(np.mean(10.0 ** (levels[spoken] / 10.0))))
    if level_dbfs < QUIETEST_DBFS:
        return Problem(
            f"The take is too quiet ({level_dbfs:.0f} dBFS, at least {QUIETEST_DBFS:.0f} is"
            " needed).",
            do="Speak up, come closer, or turn the microphone up.",
        )
    if spoken[0] < EDGE_FRAMES or spoken[-1] >= count - EDGE_FRAMES:
        which = "beginning" if spoken[0] < EDGE_FRAMES else "end"
        return Problem(
            f"The take is cut off at its {which}.",
            do="Leave a moment of silence before and after the word.",
        )
    lasts_s = (int(spoken[-1]) - int(spoken[0]) + 1) * FRAME_S
    if lasts_s < SHORTEST_S:
        return Problem(
            f"Only {lasts_s:.2f} s of speech were heard.", do="Say the whole word."
        )
    if lasts_s > LONGEST_S:
        return Problem(f"{lasts_s:.1f} s were spoken.", do="Say the word once, nothing else.")
    return None


def _clipped(samples: Samples) -> bool:
    """Whether the wave has flat tops near full scale."""
    size = np.abs(samples)
    top = float(size.max()) if len(size) else 0.0
    if top < _CLIPPED_FROM:
        return False
    flat = np.concatenate(([0], (size >= 0.995 * top).astype(np.int8), [0]))
    turns = np.flatnonzero(np.diff(flat))
    runs = turns[1::2] - turns[0::2]
    return int(np.sum(runs >= _CLIPPED_RUN)) >= _CLIPPED_RUNS
