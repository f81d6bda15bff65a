"""Takes the engine's padding off a clip, so that its first sample is (nearly) speech.

espeak-ng 1.52 was measured to put 0 to 13 ms of silence before a line and 230 to 360 ms
after it: the first delays every answer, the second keeps the microphone shut after
the voice has ended. Pure; called where a line goes into the store.
"""

from __future__ import annotations

import numpy as np

from tablevoice.model import Clip

SPEECH_DBFS = -50.0
"""Above this a sample counts as speech: 10 dB over the engine's own residue, far under a word."""

LEAD_MS = 2.0
TAIL_MS = 30.0
"""Kept around the speech, so that no onset is clipped and no end sounds chopped."""


def trim(clip: Clip) -> Clip:
    """``clip`` without leading and trailing silence but for the margins; silence stays as it is."""
    loud = np.flatnonzero(np.abs(clip.samples) > 10 ** (SPEECH_DBFS / 20))
    if loud.size == 0:
        return clip
    first = max(0, int(loud[0]) - round(LEAD_MS * clip.rate_hz / 1000))
    last = min(len(clip.samples), int(loud[-1]) + 1 + round(TAIL_MS * clip.rate_hz / 1000))
    return Clip(clip.samples[first:last], clip.rate_hz)
