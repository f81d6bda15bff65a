"""Drives the small neural voices of the package ``hibari-tts``.

The wheel carries one voice; read with British rules of pronunciation it makes a second
speaker. Other voices count as here once their files lie in that package's own folder: nothing
is fetched. Runs in the engine's process; the corpora open the same voices in theirs.
"""

from __future__ import annotations

import importlib
import importlib.metadata
from typing import Any

import numpy as np
import soundfile

from tablevoice import ipa
from tablevoice.markup import Pieces
from tablevoice.model import Samples
from tablevoice.speech.driving import (
    NATURAL_WPM,
    TextRefused,
    VoiceUnknown,
    as_text,
    check_pitch,
)

BRITISH = "+british"
SLOWEST, FASTEST = 0.5, 2.0
"""Range of the model's own setting of speed."""

INSTALL = "Get it with: pip install 'tablevoice[hibari]'."
_SEED = 1

_ALPHABET = {
    "eɪ": "A", "aɪ": "I", "aʊ": "W", "ɔɪ": "Y", "oʊ": "O", "əʊ": "Q", "tʃ": "ʧ", "dʒ": "ʤ",
    "e": "ɛ", "r": "ɹ", "g": "ɡ", "ɡ": "ɡ", "ɫ": "l", "ʍ": "w", "ɚ": "əɹ", "ɝ": "ɜɹ", "ɝː": "ɜɹ",
    "ɐ": "ə", "n̩": "ᵊn", "l̩": "ᵊl", "m̩": "ᵊm", "ɾ": "T", "x": "k", "ᵻ": "ᵻ", "ʔ": "ʔ",
    "o": "O", "oː": "ɔː", "ɛː": "ɛː", "ɛə": "ɛː", "eə": "ɛː",
}  # fmt: skip
"""IPA to the model's alphabet, where the two differ; it writes each diphthong as one letter."""


class HibariVoice:
    """One voice, opened; it keeps to one core, and the same text gives the same samples."""

    def __init__(self, name: str) -> None:
        """``name``: one of :func:`names`. Raises ImportError without the package."""
        package: Any = importlib.import_module("hibari")
        rules: Any = importlib.import_module("hibari.g2p")
        base = name.removesuffix(BRITISH)
        british = rules.G2P(british=True) if name.endswith(BRITISH) else None
        self._voice: Any = package.Hibari(voice=base, threads=1, g2p=british)
        self.rate_hz = int(self._voice.sample_rate)

    def say(self, text: str, speed: float) -> Samples:
        """``text`` at ``speed`` times the voice's own pace, held within what it can do.

        ``[word](/sounds/)`` in it gives sounds in the model's alphabet.
        """
        held = min(FASTEST, max(SLOWEST, speed))
        samples: Samples = np.asarray(self._voice(text, speed=held, seed=_SEED), np.float32)
        return samples


class HibariDriver:
    """See :class:`tablevoice.speech.driving.Driver`. Voices are loaded when first spoken with."""

    driver = "hibari"
    whole = False

    def __init__(self) -> None:
        self._names = names()
        self._open: dict[str, HibariVoice] = {}

    def version(self) -> str:
        return f"hibari-tts {importlib.metadata.version('hibari-tts')}"

    def voices(self) -> list[str]:
        return self._names

    def variants(self) -> list[str]:
        return []

    def render(self, pieces: Pieces, voice: str, rate_wpm: int, pitch: int, file: str) -> None:
        check_pitch(pitch, self.driver)
        if voice not in self._names:
            raise VoiceUnknown(f"no voice {voice!r}")
        if voice not in self._open:
            self._open[voice] = HibariVoice(voice)
        speaker = self._open[voice]
        samples = speaker.say(as_text(pieces, _sounded), rate_wpm / NATURAL_WPM)
        soundfile.write(file, samples, speaker.rate_hz, format="WAV", subtype="FLOAT")


def _sounded(text: str) -> str:
    """Sounds as the model takes them. The word itself is not said, so any will do."""
    try:
        symbols = ipa.symbols_of(text)
    except ipa.UnknownSymbol as unknown:
        raise TextRefused(str(unknown)) from unknown
    return f"[word](/{''.join(_ALPHABET.get(symbol, symbol) for symbol in symbols)}/)"


def names() -> list[str]:
    """The voices whose files are here. Raises ImportError without the package."""
    voices: Any = importlib.import_module("hibari.voices")
    found = []
    for name, about in voices.VOICES.items():
        try:
            voices.voice_path(name, download_missing=False)
        except FileNotFoundError:
            continue
        found.append(name)
        if not about["british"]:
            found.append(name + BRITISH)
    return sorted(found)
