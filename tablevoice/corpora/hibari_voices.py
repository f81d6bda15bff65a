"""Speaks with the small neural voices of the package ``hibari-tts``, in this process.

The wheel carries one voice; read with British rules of pronunciation it makes a second
speaker. Other voices count as here once their files lie in that package's own folder:
nothing is fetched. Called by the studio only.
"""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech.engines import plain_text

_BRITISH = "+british"
_SLOWEST, _FASTEST = 0.5, 2.0
_SEED = 1
_INSTALL = "Get it with: pip install 'tablevoice[tune]'."


class HibariVoices:
    """Models and rules, loaded when first spoken with and kept."""

    family = "hibari"
    own_pitch = False

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the package is not there or does not load."""
        try:
            self._package: Any = importlib.import_module("hibari")
            self._voices: Any = importlib.import_module("hibari.voices")
            self._rules: Any = importlib.import_module("hibari.g2p")
        except ImportError as error:
            raise EngineFailed(f"hibari-tts is not here ({error}).", do=_INSTALL) from error
        self._open: dict[str, Any] = {}

    def names(self, language: str) -> list[str]:
        """The voices of the language whose files are here."""
        if language.lower().partition("-")[0] != "en":
            return []
        names = []
        for name, about in self._voices.VOICES.items():
            try:
                self._voices.voice_path(name, download_missing=False)
            except FileNotFoundError:
                continue
            names.append(name)
            if not about["british"]:
                names.append(name + _BRITISH)
        return sorted(names)

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``, at its own pitch. Raises :class:`EngineFailed`."""
        if name not in self.names("en"):
            raise EngineFailed(f"hibari has no voice {name!r}.", do="Take one that is listed.")
        if name not in self._open:
            base = name.removesuffix(_BRITISH)
            rules = self._rules.G2P(british=True) if name.endswith(_BRITISH) else None
            self._open[name] = self._package.Hibari(voice=base, threads=1, g2p=rules)
        speaker = self._open[name]
        held = min(_FASTEST, max(_SLOWEST, speed))
        samples = speaker(plain_text(text), speed=held, seed=_SEED)
        return Clip(np.asarray(samples, dtype=np.float32), int(speaker.sample_rate))

    def close(self) -> None:
        """Let the models go."""
        self._open.clear()
