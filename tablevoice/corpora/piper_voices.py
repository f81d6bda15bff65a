"""Speaks with ``piper-tts`` and the voices that packages beside it carry, in this process.

Used where it is installed (its licence is not this project's); names no package but
looks for any whose wheel holds a voice. Called by the studio only.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import json
from pathlib import Path
from typing import Any

import numpy as np

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech.engines import plain_text

_INSTALL = "Get it with: pip install 'tablevoice[piper]'."


class PiperVoices:
    """Models, loaded when first spoken with and kept."""

    family = "piper"
    own_pitch = False

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where the package or any voice for it is not there."""
        try:
            self._package: Any = importlib.import_module("piper")
            self._settings: Any = importlib.import_module("piper.config")
            self._runtime: Any = importlib.import_module("onnxruntime")
        except ImportError as error:
            raise EngineFailed(f"piper-tts is not here ({error}).", do=_INSTALL) from error
        self._models = _models()
        if not self._models:
            raise EngineFailed("piper-tts is here, but no voice for it.", do=_INSTALL)
        self._open: dict[str, Any] = {}

    def names(self, language: str) -> list[str]:
        """The voices of the language whose files are here."""
        wanted = language.lower().partition("-")[0]
        return sorted(name for name in self._models if name.lower().startswith(wanted + "_"))

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``, at its own pitch. Raises :class:`EngineFailed`.

        Without the model's own random variation, which no seed can hold.
        """
        if name not in self._models:
            raise EngineFailed(f"piper has no voice {name!r}.", do="Take one that is listed.")
        if name not in self._open:
            self._open[name] = self._load(self._models[name])
        speaker = self._open[name]
        how = self._settings.SynthesisConfig(
            length_scale=1.0 / speed, noise_scale=0.0, noise_w_scale=0.0
        )
        pieces = [piece.audio_float_array for piece in speaker.synthesize(plain_text(text), how)]
        samples = np.concatenate(pieces) if pieces else np.zeros(0)
        return Clip(samples.astype(np.float32), int(speaker.config.sample_rate))

    def _load(self, model: Path) -> Any:
        # Not by the package's own load(), which takes every core for each clip.
        options = self._runtime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        about = json.loads(Path(f"{model}.json").read_text("utf-8"))
        return self._package.PiperVoice(
            session=self._runtime.InferenceSession(
                str(model), options, providers=["CPUExecutionProvider"]
            ),
            config=self._settings.PiperConfig.from_dict(about),
        )

    def close(self) -> None:
        """Let the models go."""
        self._open.clear()


def _models() -> dict[str, Path]:
    """Every voice file with its settings beside it that an installed package lists."""
    found: dict[str, Path] = {}
    for package in importlib.metadata.distributions():
        if "piper" not in str(package.metadata["Name"]).lower():
            continue  # listing the files of every package takes a second
        files = package.files or []
        settings = {str(file) for file in files if str(file).endswith(".onnx.json")}
        for file in files:
            if f"{file}.json" in settings:
                found[file.stem] = Path(str(package.locate_file(file)))
    return found
