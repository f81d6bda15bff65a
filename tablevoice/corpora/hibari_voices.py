"""Speaks with the small neural voices of the package ``hibari-tts``, in this process.

The same voices that arms may have, without a process between. Called by the studio only.
"""

from __future__ import annotations

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech.cleaning import plain_text
from tablevoice.speech.hibari_driver import INSTALL, HibariVoice, names


class HibariVoices:
    """Models and rules, loaded when first spoken with and kept."""

    family = "hibari"
    own_pitch = False

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the package is not there or does not load."""
        try:
            self._names = names()
        except ImportError as error:
            raise EngineFailed(f"hibari-tts is not here ({error}).", do=INSTALL) from error
        self._open: dict[str, HibariVoice] = {}

    def names(self, language: str) -> list[str]:
        """The voices of the language whose files are here."""
        return self._names if language.lower().partition("-")[0] == "en" else []

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``, at its own pitch. Raises :class:`EngineFailed`."""
        if name not in self._names:
            raise EngineFailed(f"hibari has no voice {name!r}.", do="Take one that is listed.")
        if name not in self._open:
            self._open[name] = HibariVoice(name)
        speaker = self._open[name]
        return Clip(speaker.say(plain_text(text), speed), speaker.rate_hz)

    def close(self) -> None:
        """Let the models go."""
        self._open.clear()
