"""Speaks with the two small Pico voices of the package ``py-nanotts``, in this process.

Voices of recorded people, American and British. Called by the studio only.
"""

from __future__ import annotations

import ctypes
import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech.cleaning import plain_text

_RATE_HZ = 16_000
_VOICES = ("de-DE", "en-GB", "en-US", "es-ES", "fr-FR", "it-IT")
_LONGEST_WORD = 60
"""Letters: the engine was seen never to come back from a word of thousands."""

_M_PERTURB = -6  # malloc.h of glibc
_INSTALL = "Get it with: pip install 'tablevoice[tune]'."


class PicoVoices:
    """The engine, which loads a voice for each clip anew.

    It reads memory that it never wrote, so a clip came out different in its last bits (at
    -48 dBFS) now and then. Where the C library can be told to hand out memory filled with
    zeros (glibc), it is for as long as the engine speaks, and each clip is the same each time.
    """

    family = "pico"
    own_pitch = True

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the package is not there or does not load."""
        try:
            self._engine: Any = importlib.import_module("py_nanotts").NanoTTS()
        except ImportError as error:
            raise EngineFailed(f"py-nanotts is not here ({error}).", do=_INSTALL) from error

    def names(self, language: str) -> list[str]:
        """The voices of the language."""
        wanted = language.lower()
        return [
            name for name in _VOICES if wanted in (name.lower(), name.lower().partition("-")[0])
        ]

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``. Raises :class:`EngineFailed`."""
        if name not in _VOICES:
            raise EngineFailed(f"Pico has no voice {name!r}.", do="Take one that is listed.")
        # plain_text for a system's engine: Pico too takes words in <> for commands
        words = plain_text(text, "system")
        if max(map(len, words.split()), default=0) > _LONGEST_WORD:
            raise EngineFailed(
                f"A word of more than {_LONGEST_WORD} letters cannot be spoken.", where=name
            )
        pitch = 2.0 ** (pitch_semitones / 12.0)
        try:
            with _zeroed_memory():
                pcm = self._engine.speak(words, voice=name, speed=speed, pitch=pitch)
        except (RuntimeError, ValueError) as error:
            raise EngineFailed(f"Pico failed: {error}.", where=name) from error
        return Clip((np.frombuffer(pcm, dtype="<i2") / 32768.0).astype(np.float32), _RATE_HZ)

    def close(self) -> None:
        """Nothing is open between clips."""


@contextmanager
def _zeroed_memory() -> Iterator[None]:
    library = ctypes.CDLL(None) if sys.platform == "linux" else None
    if library is None or not hasattr(library, "mallopt"):
        yield
        return
    library.mallopt(_M_PERTURB, 255)  # new memory is filled with the complement
    try:
        yield
    finally:
        library.mallopt(_M_PERTURB, 0)
