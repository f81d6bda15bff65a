"""Whether somebody near the microphone is speaking, by a small network, 20 ms at a time.

Knows the ONNX file beside it (made by ``encoder/activity.py`` at the top of the repository)
and the frames of the stream; no words, no level and no thresholds. It was trained on words
through machine noise down to -6 dB, where neither a level nor a voice detector of
telephony finds them. The endpointer asks it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tablevoice.listening.framing import FRAME_SAMPLES
from tablevoice.listening.networks import shipped
from tablevoice.model import Samples

LATE_FRAMES = 4
"""The network answers for what was 40 ms ago: it has heard that much more."""

_BEFORE, _BANDS, _WIDTH = 240, 64, 96
"""Samples of the frame before that the first window reaches back to; sizes of the network."""


class VoiceActivity:
    """The network on one core, with its memory of the stream."""

    def __init__(self) -> None:
        self._session = shipped("activity.onnx")
        self.reset()

    def reset(self) -> None:
        """Forget the stream."""
        self._waiting: NDArray[np.float32] = np.zeros(_BEFORE, np.float32)
        self._mean = np.zeros((1, _BANDS), np.float32)
        self._memory = np.zeros((2, 1, _WIDTH), np.float32)
        self._first = np.ones(1, np.float32)
        self._speaking = 0.0

    def feed(self, frame: Samples) -> float:
        """Take the next 10 ms, shape ``(160,)``; how likely somebody spoke ``LATE_FRAMES`` ago.

        Between 0 and 1, anew with every second frame.
        """
        self._waiting = np.concatenate((self._waiting, frame))
        if len(self._waiting) == _BEFORE + 2 * FRAME_SAMPLES:
            speaking, self._mean, self._memory = self._session.run(None, {
                "samples": self._waiting[None], "mean": self._mean, "memory": self._memory,
                "first": self._first,
            })  # fmt: skip
            self._first[:] = 0.0
            self._waiting = self._waiting[-_BEFORE:]
            self._speaking = float(speaking[0])
        return self._speaking
