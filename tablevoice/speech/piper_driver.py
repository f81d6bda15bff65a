"""Drives neural voices by ``piper-tts``: files of the user's, or those that packages carry.

Used where it is installed (its licence is not this project's); names no package of voices but
looks for any whose wheel holds one. Takes sounds in IPA as they are. Runs in the engine's
process; the corpora open the same voices in theirs.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tablevoice.markup import Pieces
from tablevoice.model import Samples
from tablevoice.speech.driving import (
    NATURAL_WPM,
    VOICE_FILES,
    TextRefused,
    VoiceUnknown,
    as_text,
    check_pitch,
)

VOICE_FILE = VOICE_FILES["piper"]
"""How the name of a voice file ends; its settings lie beside it, in ``NAME.onnx.json``."""

INSTALL = "Get it with: pip install 'tablevoice[piper]'."


class PiperVoice:
    """One voice file, opened; it keeps to one core and varies nothing at random."""

    def __init__(self, model: Path) -> None:
        """Raises ImportError without the package, OSError or ValueError for an unusable file."""
        package: Any = importlib.import_module("piper")
        self._settings: Any = importlib.import_module("piper.config")
        runtime: Any = importlib.import_module("onnxruntime")
        # Not by the package's own load(), which takes every core for each clip.
        options = runtime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.log_severity_level = 4  # what is wrong is told by the exception
        try:
            about = json.loads(Path(f"{model}.json").read_text("utf-8"))
            session = runtime.InferenceSession(
                str(model), options, providers=["CPUExecutionProvider"]
            )
            self._voice = package.PiperVoice(
                session=session, config=self._settings.PiperConfig.from_dict(about)
            )
        except (OSError, ImportError):
            raise
        except Exception as error:  # the runtime's errors have no class of their own
            raise ValueError(f"{model} is no voice for piper ({error})") from error
        self.rate_hz = int(self._voice.config.sample_rate)

    def say(self, text: str, speed: float) -> Samples:
        """``text`` at ``speed`` times the voice's own pace; ``[[...]]`` in it are sounds in IPA."""
        how = self._settings.SynthesisConfig(
            length_scale=1.0 / speed, noise_scale=0.0, noise_w_scale=0.0
        )
        pieces = [piece.audio_float_array for piece in self._voice.synthesize(text, how)]
        samples: Samples = (np.concatenate(pieces) if pieces else np.zeros(0)).astype(np.float32)
        return samples

    def lacks(self, ipa: str) -> str:
        """The symbols of ``ipa`` that this voice has not learnt."""
        known = self._voice.config.phoneme_id_map
        return "".join(dict.fromkeys(mark for mark in ipa if mark not in known))


class PiperDriver:
    """See :class:`tablevoice.speech.driving.Driver`. Voices are loaded when first spoken with."""

    driver = "piper"
    whole = False

    def __init__(self) -> None:
        importlib.import_module("piper")
        self._installed = installed_voices()
        self._open: dict[Path, PiperVoice] = {}

    def version(self) -> str:
        """The package's version; a voice file is told apart by its name."""
        return f"piper-tts {importlib.metadata.version('piper-tts')}"

    def voices(self) -> list[str]:
        """The voices that installed packages carry; a file of the user's goes by its path."""
        return sorted(self._installed)

    def variants(self) -> list[str]:
        return []

    def render(self, pieces: Pieces, voice: str, rate_wpm: int, pitch: int, file: str) -> None:
        check_pitch(pitch, self.driver)
        speaker = self._speaker(voice)

        def sounded(ipa: str) -> str | None:
            return None if speaker.lacks(_bare(ipa)) else f"[[{_bare(ipa)}]]"

        for piece in pieces:
            how = getattr(piece, "said_as", None)
            if how is not None and how.ipa and not how.respelling:
                lacking = speaker.lacks(_bare(how.ipa))
                if lacking:
                    raise TextRefused(f"voice {voice!r} has no sounds {lacking!r}; add 'say:'")
        samples = speaker.say(as_text(pieces, sounded), rate_wpm / NATURAL_WPM)
        soundfile.write(file, samples, speaker.rate_hz, format="WAV", subtype="FLOAT")

    def _speaker(self, voice: str) -> PiperVoice:
        path = self._installed.get(voice)
        if path is None and voice.endswith(VOICE_FILE):
            path = Path(voice)
        if path is None or not path.is_file():
            raise VoiceUnknown(f"no voice {voice!r}")
        if path not in self._open:
            try:
                self._open[path] = PiperVoice(path)
            except (OSError, ValueError) as error:
                raise TextRefused(f"voice {voice!r} does not load: {error}") from error
        return self._open[path]


def _bare(ipa: str) -> str:
    """IPA without what only a dictionary's reader wants: slashes, dots, tie bars."""
    return re.sub("[/\\[\\].\u0361\u035c]", "", ipa)


def installed_voices() -> dict[str, Path]:
    """Every voice file with its settings beside it that an installed package lists."""
    found: dict[str, Path] = {}
    for package in importlib.metadata.distributions():
        if "piper" not in str(package.metadata["Name"]).lower():
            continue  # listing the files of every package takes a second
        files = package.files or []
        settings = {str(file) for file in files if str(file).endswith(f"{VOICE_FILE}.json")}
        for file in files:
            if f"{file}.json" in settings:
                found[file.stem] = Path(str(package.locate_file(file)))
    return found
