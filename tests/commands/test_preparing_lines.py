"""``tablevoice prepare`` as a process: what it says, what it mends, what it refuses."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3}
  Briar: {engine: ENGINE}
loudness: {target_lufs: TARGET, ceiling_dbtp: -1}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
"""
BOOK = """
format: 1
title: Small
language: en
slots: {arm: [Alder, Briar], lights: [1, 2, 3]}
pronounce: {teal: {say: teel}}
events:
  lit: {slots: [arm, lights], voice: "{arm}", lines: ["_{lights}_ teal | lights.", "Well done."]}
"""


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    return written(tmp_path, "espeak, voice: en-us+f3")


def written(folder: Path, engine: str, target: float = -21) -> Path:
    file = folder / "cell.yaml"
    file.write_text(CELL.replace("ENGINE", engine).replace("TARGET", str(target)), "utf-8")
    return file


def prepare(cell: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tablevoice", "prepare", str(cell), *options],
        capture_output=True, text=True, encoding="utf-8", timeout=120, check=False,
    )  # fmt: skip


def test_it_prepares_once_says_so_and_mends(cell: Path) -> None:
    first = prepare(cell)
    assert (first.returncode, first.stderr) == (0, "")
    assert "8 lines are prepared, 8 of them now." in first.stdout
    speed = re.search(r"([\d.]+) s of sound in ([\d.]+) s: (\d+) × real time", first.stdout)
    assert speed is not None
    assert float(speed[1]) > 4
    assert "of 50 MB" in first.stdout
    again = prepare(cell, "--quick")
    assert "8 lines are prepared, 0 of them now." in again.stdout
    victim = next((cell.parent / "store").glob("*.flac"))
    victim.write_bytes(victim.read_bytes()[:-9])
    assert "0 of them now" in prepare(cell, "--quick").stdout
    mended = prepare(cell)
    assert "1 of them now" in mended.stdout
    assert "1 were damaged and made again." in mended.stdout


def test_the_loudness_of_the_cell_counts(cell: Path) -> None:
    prepare(cell)
    written(cell.parent, "espeak, voice: en-us+f3", target=-9)
    loud = prepare(cell)
    assert "8 of them now" in loud.stdout
    assert "stay below -9 LUFS for their peaks" in loud.stdout


@pytest.mark.parametrize(
    ("engine", "words"),
    [
        ("espeak, voice: en-us+f33", ["no voice 'en-us+f33'", "Nearest: en-us+f"]),
        ("piper, voice: hall.onnx", ["hall.onnx' in engine 'piper'", "Put the voice file there"]),
        ("piper, voice: nobody", ["no voice 'nobody'", "en_US-joe-medium"]),
        ("hibari, voice: herat", ["no voice 'herat'", "heart"]),
        ("hibari, voice: heart, pitch: 60", ["pitch 60", "one pitch"]),
    ],
)
def test_a_voice_that_is_not_there_is_one_clear_finding(
    cell: Path, engine: str, words: list[str]
) -> None:
    done = prepare(written(cell.parent, engine))
    assert done.returncode == 1
    for expected in words:
        assert expected in done.stderr
    assert "Traceback" not in done.stderr


def test_a_damaged_voice_file_is_told_and_the_other_arm_is_prepared(cell: Path) -> None:
    (cell.parent / "hall.onnx").write_bytes(b"not a model")
    (cell.parent / "hall.onnx.json").write_text("{}", encoding="utf-8")
    done = prepare(written(cell.parent, "piper, voice: hall.onnx"))
    assert done.returncode == 1
    assert "does not load" in done.stderr
    assert "4 lines are prepared" in done.stdout
