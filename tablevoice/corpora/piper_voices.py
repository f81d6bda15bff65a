"""Speaks with ``piper-tts`` and the voices that packages beside it carry, in this process.

The same voices that arms may have, without a process between. Called by the studio only.
"""

from __future__ import annotations

import importlib

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech.cleaning import plain_text
from tablevoice.speech.piper_driver import INSTALL, PiperVoice, installed_voices


class PiperVoices:
    """Models, loaded when first spoken with and kept."""

    family = "piper"
    own_pitch = False

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the package or any voice for it is not there."""
        try:
            importlib.import_module("piper")
        except ImportError as error:
            raise EngineFailed(f"piper-tts is not here ({error}).", do=INSTALL) from error
        self._models = installed_voices()
        if not self._models:
            raise EngineFailed("piper-tts is here, but no voice for it.", do=INSTALL)
        self._open: dict[str, PiperVoice] = {}

    def names(self, language: str) -> list[str]:
        """The voices of the language whose files are here."""
        wanted = language.lower().partition("-")[0]
        return sorted(name for name in self._models if name.lower().startswith(wanted + "_"))

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``, at its own pitch. Raises :class:`EngineFailed`."""
        if name not in self._models:
            raise EngineFailed(f"piper has no voice {name!r}.", do="Take one that is listed.")
        if name not in self._open:
            self._open[name] = PiperVoice(self._models[name])
        speaker = self._open[name]
        return Clip(speaker.say(plain_text(text), speed), speaker.rate_hz)

    def close(self) -> None:
        """Let the models go."""
        self._open.clear()
