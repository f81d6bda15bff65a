"""Speaks with Festival's ``text2wave``: one recorded person more, one short process a clip.

Knows the command line and nothing else. Only the voice of a speaker whom no other engine
here has is offered: it is there to try things out on. Called by the studio only.
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

_VOICES = ("ked_diphone",)
_FOLDERS = ("/usr/share/festival/voices/english", "/usr/share/festival/voices/us")
_TIMEOUT_S = 60.0
_INSTALL = "Get it with: sudo apt-get install festival festvox-kdlpc16k."


class FestivalVoices:
    """The command on the path. Its voice speaks English only, and the same each time."""

    family = "festival"
    own_pitch = False

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the command or its voice is not there."""
        command = shutil.which("text2wave")
        self._names = [
            name for name in _VOICES if any((Path(place) / name).is_dir() for place in _FOLDERS)
        ]
        if command is None or not self._names:
            raise EngineFailed("Festival and its voice ked_diphone are not here.", do=_INSTALL)
        self._command = command

    def names(self, language: str) -> list[str]:
        """The voices of the language."""
        return list(self._names) if language.lower().partition("-")[0] == "en" else []

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``, at its own pitch. Raises :class:`EngineFailed`."""
        if name not in self._names:
            raise EngineFailed(f"Festival has no voice {name!r}.", do="Take one that is listed.")
        words = plain_text(text)
        if not any(char.isascii() and char.isalnum() for char in words):
            raise EngineFailed(
                f"Festival reads English letters only, and {text!r} has none.", where=name
            )
        with tempfile.TemporaryDirectory(prefix="tablevoice-") as folder:
            file = Path(folder) / "clip.wav"
            try:
                subprocess.run(
                    [self._command, "-o", str(file), "-eval", f"(voice_{name})", "-eval",
                     f"(Parameter.set 'Duration_Stretch {1.0 / speed:.4f})"],
                    input=words.encode("ascii", "ignore"), capture_output=True,
                    timeout=_TIMEOUT_S, check=True,
                )  # fmt: skip
                samples, rate_hz = soundfile.read(file, dtype="float32")
            except (OSError, subprocess.SubprocessError) as error:
                raise EngineFailed(f"Festival failed: {error}.", do=_INSTALL) from error
            except soundfile.LibsndfileError as error:
                raise EngineFailed(f"Festival made no sound ({error}).", where=name) from error
        return Clip(samples, int(rate_hz))

    def close(self) -> None:
        """Nothing is open between clips."""
