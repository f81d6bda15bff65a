"""Recordings and manifests for the instrument's tests: the repository's clips, and made sounds."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from tablevoice.audio.clip_files import read_clip, to_rate, write_clip
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples
from tablevoice.shipped import shipped

FIXTURES = Path(__file__).resolve().parents[2] / "audio_fixtures"
CELL = shipped("lantern_table.yaml")
MEANINGS = {
    "teal": "teal", "violet": "violet", "pause": "pause", "stop now": "stop", "stop": "stop",
}  # fmt: skip
HEADER = ("path", "expected", "speaker", "condition")


def fixture(word: str) -> Samples:
    """One of the repository's clips, at the listening rate."""
    return to_rate(read_clip(FIXTURES / f"visitor_{word}.flac"), LISTENING_RATE_HZ).samples


def write_manifest(
    path: Path, rows: Iterable[Sequence[str]], header: Sequence[str] = HEADER
) -> Path:
    """A manifest at ``path``; paths in ``rows`` are seen from its folder."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)
    return path


def small_set(folder: Path, words: Sequence[str] = ("teal", "violet", "pause", "garage")) -> Path:
    """Some of the repository's clips as a manifest; garage and window are outside words."""
    rows = []
    for word in words:
        write_clip(folder / f"{word}.wav", Clip(fixture(word), LISTENING_RATE_HZ))
        expected = "" if word in ("garage", "window") else word
        rows.append((f"{word}.wav", expected, "first" if word < "q" else "second", "booth"))
    return write_manifest(folder / "manifest.csv", rows)


def silence(seconds: float, rate_hz: int = LISTENING_RATE_HZ) -> Samples:
    """A room's faint noise, not digital silence."""
    noise = np.random.RandomState(3).standard_normal(round(seconds * rate_hz))
    return (0.0005 * noise).astype(np.float32)
