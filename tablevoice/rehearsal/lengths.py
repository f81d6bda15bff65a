"""How long a line lasts: as its prepared sound does, else by the speed of its voice.

Knows the prepared store through the assembly; renders nothing. Called for a season, where
the same text comes again and again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tablevoice.model import Voice

# In words at a voice's speed, fitted to 92 prepared lines of the demo in its two espeak-ng
# voices: nine in ten estimates lie within 19 % of what was measured.
WORDS_A_LINE = 0.77
WORDS_A_LETTER = 0.158
WORDS_A_BREAK = 1.04
BREAKS = ".,!?:;"


class Lengths:
    """Lengths of texts in seconds, each looked up once; ``prepared`` gives ``None`` for unknown."""

    def __init__(
        self, voices: Mapping[str, Voice], prepared: Callable[[str, str], float | None]
    ) -> None:
        self._voices = voices
        self._prepared = prepared
        self._known: dict[tuple[str, str], tuple[float, bool]] = {}

    def __call__(self, text: str, voice: str) -> tuple[float, bool]:
        """How long ``text`` lasts in the voice of that name, and whether that was measured."""
        key = (text, voice)
        found = self._known.get(key)
        if found is None:
            measured_s = self._prepared(text, voice)
            found = self._known[key] = (
                (estimated_s(text, self._voices[voice].rate_wpm), False)
                if measured_s is None
                else (measured_s, True)
            )
        return found


def estimated_s(text: str, rate_wpm: int) -> float:
    """Seconds that a text takes, by its letters and the breaks within it."""
    letters = sum(mark.isalnum() for mark in text)
    breaks = sum(mark in BREAKS for mark in text[:-1])
    words = WORDS_A_LINE + WORDS_A_LETTER * letters + WORDS_A_BREAK * breaks
    return words * 60.0 / rate_wpm
