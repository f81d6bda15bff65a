"""Speaks with the ``flite`` command: a few recorded people, one short process a clip.

Knows the command line and nothing else. Called by the studio only.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import soundfile

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech.cleaning import plain_text

_VOICES = ("awb", "kal", "kal16", "rms", "slt")
"""Those that say any text (awb_time says the time of day only)."""

_TIMEOUT_S = 60.0
_INSTALL = "Get it with: sudo apt-get install flite."


class FliteVoices:
    """The command on the path. Its voices speak English only, and the same each time."""

    family = "flite"
    own_pitch = False

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the command is not there or does not run."""
        command = shutil.which("flite")
        if command is None:
            raise EngineFailed("The flite command is not here.", do=_INSTALL)
        self._command = command
        listed = self._run("-lv").split()
        self._names = [name for name in _VOICES if name in listed]

    def names(self, language: str) -> list[str]:
        """The voices of the language."""
        return list(self._names) if language.lower().partition("-")[0] == "en" else []

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``, at its own pitch. Raises :class:`EngineFailed`."""
        if name not in self._names:
            raise EngineFailed(f"flite has no voice {name!r}.", do="Take one that is listed.")
        if not any(char.isascii() and char.isalnum() for char in text):
            raise EngineFailed(
                f"flite reads English letters only, and {text!r} has none.", where=name
            )
        with tempfile.TemporaryDirectory(prefix="tablevoice-") as folder:
            file = Path(folder) / "clip.wav"
            stretch = f"duration_stretch={1.0 / speed:.4f}"
            self._run("-voice", name, "--setf", stretch, "-t", plain_text(text), "-o", str(file))
            try:
                samples, rate_hz = soundfile.read(file, dtype="float32")
            except (OSError, soundfile.LibsndfileError) as error:
                raise EngineFailed(f"flite made no sound ({error}).", where=name) from error
        return Clip(samples, int(rate_hz))

    def close(self) -> None:
        """Nothing is open between clips."""

    def _run(self, *words: str) -> str:
        try:
            done = subprocess.run(
                [self._command, *words],
                capture_output=True,
                text=True,
                errors="replace",
                timeout=_TIMEOUT_S,
                check=True,
            )
        except (OSError, subprocess.SubprocessError) as error:
            raise EngineFailed(f"flite failed: {error}.", do=_INSTALL) from error
        return done.stdout
