"""What was said as numbers: the network that turns a sound into phones and one direction.

Knows the two ONNX files beside it (made by ``encoder/`` at the top of the repository) and
nothing of commands. The direction of a sound lies near the direction that the speller gives
to the phones that were said, whoever says them and through whatever noise: that is what it
was trained for, on thirty thousand words. Called by the second opinion and by tuning.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from tablevoice.listening.dictionary import Phones
from tablevoice.listening.networks import shipped, shipped_networks
from tablevoice.model import Samples

PHONES = (
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G", "HH",
    "IH", "IY", "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T", "TH", "UH",
    "UW", "V", "W", "Y", "Z", "ZH",
)  # fmt: skip
"""ARPABET as the CMU dictionary has it; the network's column 0 is "no phone"."""

STEP_S = 0.02
SENSE = 128
LONGEST_S = 6.0
"""Longer sounds are cut: no command lasts so long, and the cost grows with the length."""

_ROWS, _LONGEST_PHONES = 16, 48
_SHORTEST_SAMPLES = 4_000
_LEVEL = 0.1

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """``phones``: log probabilities, shape ``(steps, 40)``. ``said``: unit length, ``(128,)``."""

    phones: Floats
    said: Floats


class SoundEncoder:
    """The network, on one core; not for several threads at once."""

    def __init__(self) -> None:
        self._encoder = shipped("encoder.onnx")
        self._speller = shipped("speller.onnx")
        notes = self._encoder.get_modelmeta().custom_metadata_map
        self.nobody: Floats = np.array(json.loads(notes["nobody"]), np.float32)
        self.sharpness = float(notes["sharpness"])

    def listen(self, samples: Samples) -> Sound:
        """``samples``: one utterance, mono 16 kHz, shape ``(n,)``, at any level.

        What is not a number counts as silence.
        """
        cut = np.asarray(samples[: round(LONGEST_S * 16_000)], np.float32)
        cut = np.nan_to_num(cut, nan=0.0, posinf=0.0, neginf=0.0)
        if len(cut) < _SHORTEST_SAMPLES:
            cut = np.pad(cut, (0, _SHORTEST_SAMPLES - len(cut)))
        # The network was trained on recordings of every level, but not on near silence.
        wave = cut * np.float32(_LEVEL / max(float(np.abs(cut).max()), 1e-6))
        phones, _embedding, said = self._encoder.run(None, {"samples": wave[None]})
        return Sound(phones[0], said[0])

    def spell(self, ways: Sequence[Phones]) -> Floats:
        """The direction of each pronunciation, shape ``(len(ways), 128)``."""
        rows = []
        for start in range(0, len(ways), _ROWS):
            batch = ways[start : start + _ROWS]
            table = np.zeros((_ROWS, _LONGEST_PHONES), np.int64)
            for row, way in zip(table, batch, strict=False):
                numbers = phone_numbers(way)[:_LONGEST_PHONES]
                row[: len(numbers)] = numbers
            table[len(batch) :, 0] = 1  # an empty row has no mean
            rows.append(self._speller.run(None, {"phones": table})[0][: len(batch)])
        return np.concatenate(rows) if rows else np.zeros((0, SENSE), np.float32)


def phone_numbers(way: Phones) -> list[int]:
    """The network's columns for phones."""
    return [PHONES.index(phone) + 1 for phone in way]


@cache
def encoder_mark() -> str:
    """Changes with the network: what was learnt on top of another one is worth nothing."""
    digest = hashlib.sha256()
    for name in ("encoder.onnx", "speller.onnx", "vocabulary.npz"):
        digest.update((shipped_networks() / name).read_bytes())
    return digest.hexdigest()[:16]


@cache
def ordinary_senses() -> tuple[tuple[str, ...], Floats]:
    """Common English words and the directions of their sounds, the commonest first.

    Shape ``(words, 128)``. Made by ``encoder/vocabulary.py``.
    """
    with resources.as_file(shipped_networks() / "vocabulary.npz") as path, np.load(path) as stored:
        words = tuple(str(stored["words"]).split())
        return words, stored["senses"].astype(np.float32)
