"""The examples run as they stand, and the README shows the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tablevoice.links.json_lines import read_message
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.slots import check_slots

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"

BOOK = """
format: 1
title: Small
language: en
slots:
  lights: [3]
events:
  greeting: {about: Opens., lines: [Good morning.]}
  colour_asked: {about: Asks., slots: [lights], priority: question, asks: colour,
                 lines: [Which one is it?]}
  again: {about: Asks again., priority: question, lines: [Once more for me.]}
questions:
  colour: {answers: {teal: [teal], violet: [violet]}, tries: 6, button_wait_s: 20,
           ask_again: again, waited: again}
"""

CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3}
loudspeaker: {device: pulse}
microphone: {device: pulse}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
"""


@pytest.mark.parametrize("name", ["ten_lines.py", "plain_python.py"])
def test_the_examples_in_python_get_an_answer(
    pulse_environment: dict[str, str], tmp_path: Path, name: str
) -> None:
    books = tmp_path / "phrasebooks"
    books.mkdir()
    (books / "book.yaml").write_text(BOOK, encoding="utf-8")
    (books / "lantern_table.yaml").write_text(CELL, encoding="utf-8")
    example = subprocess.Popen(
        [sys.executable, str(EXAMPLES / name)], cwd=tmp_path, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**pulse_environment, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    word = ROOT / "audio_fixtures" / "visitor_violet.flac"
    end_s = time.monotonic() + 120
    while example.poll() is None and time.monotonic() < end_s:
        subprocess.run(["paplay", str(word)], env=pulse_environment, check=True, timeout=30)
        time.sleep(4.0)  # so that a whole word falls between two lines of the table
    if example.poll() is None:
        example.kill()
    out, complaints = example.communicate()
    assert example.returncode == 0, complaints
    lines = out.splitlines()
    assert "violet voice" in lines or "violet confirmed" in lines
    if name == "plain_python.py":
        assert [line for line in lines if line in ("(ready)", "(answer)", "(closed)")] == [
            "(answer)", "(closed)",
        ]  # fmt: skip


@pytest.mark.parametrize("name", ["ten_lines.py", "plain_python.py"])
def test_the_readme_shows_the_examples_as_they_are(name: str) -> None:
    assert (EXAMPLES / name).read_text("utf-8") in (ROOT / "README.md").read_text("utf-8")


def test_the_example_messages_fit_the_protocol_and_the_phrasebook() -> None:
    book = load_phrasebook(ROOT / "phrasebooks" / "lantern_strings.yaml")
    for line in (EXAMPLES / "round.jsonl").read_bytes().splitlines():
        message = read_message(line, events=book.events)
        if message.type == "event":
            check_slots(book.events[message.event], book.slot_values, message.slots)


def test_the_messages_in_the_readme_fit_the_protocol() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    shown = text.split('```\n{"v": 1', 1)[1].split("```", 1)[0]
    rows = ('{"v": 1' + shown).replace("\n ", " ").splitlines()
    event, answer = (json.loads(row) for row in rows)
    assert read_message(json.dumps(event).encode()).type == "event"
    assert answer["id"] == event["id"]


def test_the_modbus_example_opens_and_its_structured_text_is_made_of_it() -> None:
    cell = EXAMPLES / "modbus" / "packing_bench.yaml"
    made = subprocess.run(
        [sys.executable, "-m", "tablevoice", "map", str(cell), "--format", "st"],
        capture_output=True, check=True, timeout=60, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert made.stdout.decode() == cell.with_suffix(".st").read_text("utf-8")
