"""The command as a person meets it: what it prints, what it refuses, its exit status."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
import soundfile
from typer.testing import CliRunner, Result

from tablevoice.cli import app

FIXTURES = Path(__file__).parents[1] / "audio_fixtures"

BOOK = """
format: 1
title: Small
language: en
slots:
  lights: [1, 2]
events:
  lit: {about: Lit., slots: [lights], lines: ["It is lit.", "Lights: {lights}."]}
  paused: {about: Held., priority: warning, lines: [Asked to wait.]}
questions:
  colour: {answers: {teal: [teal], violet: [violet]}}
standing:
  pause: {phrases: [pause], says: paused}
  stop: {phrases: [stop], says: paused}
"""

CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
"""


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    return tmp_path / "cell.yaml"


def tablevoice(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def with_cell(cell: Path, old: str, new: str) -> Path:
    text = cell.read_text(encoding="utf-8")
    assert old in text
    cell.write_text(text.replace(old, new), encoding="utf-8")
    return cell


# --- bad input: one clear error, exit status 1 ----------------------------------


def refused(result: Result) -> str:
    """What the command said when it refused; never a traceback."""
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("error: ")
    assert "Traceback" not in result.output
    return " ".join(result.stderr.split())


@pytest.mark.parametrize("command", ["check", "run"])
def test_a_cell_file_that_is_not_there(command: str, tmp_path: Path) -> None:
    result = tablevoice(command, tmp_path / "none.yaml")
    assert result.exit_code == 1
    assert "none.yaml" in result.stderr


def test_broken_yaml_is_named_by_line_and_column(cell: Path) -> None:
    cell.write_text("format: 1\ntable: [oops\n", encoding="utf-8")
    assert "cell.yaml:" in refused(tablevoice("check", cell))


def test_a_misspelt_key_offers_the_nearest(cell: Path) -> None:
    message = refused(tablevoice("check", with_cell(cell, "voices:", "voizes:")))
    assert "cell.yaml:5:1" in message
    assert "'voices'" in message


def test_bytes_that_are_no_text(cell: Path) -> None:
    (cell.parent / "book.yaml").write_bytes(BOOK.encode() + b"\n# \xff\xfe")
    assert "book.yaml" in refused(tablevoice("check", cell))


def test_an_unknown_voice_offers_voices_that_are_there(cell: Path) -> None:
    result = tablevoice("check", with_cell(cell, "en-gb+m3", "en-gb+m33"))
    message = refused(result)
    assert "en-gb+m33" in message
    assert "m3" in message.split("en-gb+m33", 1)[1]


def test_a_model_that_is_not_there_says_how_to_get_one(cell: Path) -> None:
    added = with_cell(cell, "store:", "recogniser: {kind: vosk, model: no_such_model}\nstore:")
    assert "no_such_model" in refused(tablevoice("check", added))


def test_a_word_that_the_recogniser_does_not_know_comes_with_an_entry_to_paste(
    cell: Path,
) -> None:
    book = cell.parent / "book.yaml"
    book.write_text(BOOK.replace("[violet]", "[zaffrequartz]"), encoding="utf-8")
    message = refused(tablevoice("check", cell))
    assert "zaffrequartz" in message
    assert "pronounce" in message


def test_a_sound_file_that_is_none() -> None:
    result = tablevoice("listen", "--file", FIXTURES / "not_a_sound.wav")
    assert "not_a_sound.wav" in refused(result)


def test_an_event_and_a_slot_that_are_misspelt(cell: Path, tmp_path: Path) -> None:
    out = tmp_path / "line.wav"
    assert "'lit'" in refused(tablevoice("say", "list", "--cell", cell, "--out", out))
    assert "lights" in refused(tablevoice("say", "lit", "--cell", cell, "--out", out))
    wrong = tablevoice("say", "lit", "lights=7", "--cell", cell, "--out", out)
    assert "1, 2" in refused(wrong)
    assert "SLOT=VALUE" in refused(tablevoice("say", "lit", "lights", "--cell", cell))


def test_a_sound_file_that_cannot_be_written(cell: Path, tmp_path: Path) -> None:
    nowhere = tmp_path / "no" / "such" / "folder" / "line.wav"
    result = tablevoice("say", "lit", "lights=1", "--cell", cell, "--out", nowhere)
    assert "line.wav" in refused(result)


def test_a_schema_that_there_is_not() -> None:
    assert "phrasebook" in refused(tablevoice("schema", "phrasbook"))


def test_a_history_that_cannot_be_kept(cell: Path) -> None:
    (cell.parent / "file").write_text("in the way", encoding="utf-8")
    moved = with_cell(cell, "history.sqlite", "file/history.sqlite")
    assert "history" in refused(tablevoice("check", moved))


def test_no_loudspeaker_means_that_the_table_may_not_open(cell: Path, tmp_path: Path) -> None:
    # A child, since PortAudio looks at the sound server only once in a process.
    silent = {"PULSE_SERVER": "unix:/nonexistent", "HOME": str(tmp_path), "PATH": "/usr/bin:/bin"}
    result = subprocess.run(
        [sys.executable, "-m", "tablevoice", "check", str(cell)],
        capture_output=True, text=True, env=silent, timeout=120, check=False,
    )  # fmt: skip
    assert result.returncode == 1
    assert "may not open" in result.stdout
    assert "error: " in result.stderr
    opened = subprocess.run(
        [sys.executable, "-m", "tablevoice", "run", str(cell)],
        capture_output=True, text=True, env=silent, timeout=120, check=False, input="",
    )  # fmt: skip
    assert opened.returncode == 1
    assert "error: " in opened.stderr
    assert "Traceback" not in opened.stderr


# --- what works -----------------------------------------------------------------


def test_a_store_that_cannot_be_written_is_lived_with_and_said(cell: Path) -> None:
    (cell.parent / "store").write_text("in the way", encoding="utf-8")
    result = tablevoice("check", cell)
    assert "advice: " in result.output
    assert "store" in result.output


def test_a_line_is_auditioned_into_a_file(cell: Path, tmp_path: Path) -> None:
    out = tmp_path / "lines.wav"
    result = tablevoice("say", "lit", "lights=2", "--cell", cell, "--every", "--out", out)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == ["Alder: It is lit.", "Alder: Lights: 2."]
    samples, rate_hz = soundfile.read(out)
    assert len(samples) > rate_hz
    assert abs(samples).max() > 0.05


@pytest.mark.parametrize("word", ["teal", "violet", "pause", "stop"])
def test_a_recorded_word_is_shown_as_heard(cell: Path, word: str) -> None:
    result = tablevoice("listen", "--cell", cell, "--file", FIXTURES / f"visitor_{word}.flac")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert len(lines) == 1
    assert f" {word} " in lines[0]


@pytest.mark.parametrize("what", ["phrasebook", "cell", "messages"])
def test_schemas_are_json_schemas(what: str) -> None:
    result = tablevoice("schema", what)
    assert result.exit_code == 0
    schema = json.loads(result.stdout)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


def test_a_table_with_everything_may_open(cell: Path, pulse_environment: dict[str, str]) -> None:
    result = subprocess.run(
        [sys.executable, "-m", "tablevoice", "check", str(cell)],
        capture_output=True, text=True, env=pulse_environment, timeout=120, check=False,
    )  # fmt: skip
    assert result.returncode == 0, result.stdout + result.stderr
    assert "This table may open." in result.stdout
    for part in ("voice", "engine", "store", "recogniser", "loudspeaker", "microphone"):
        assert f"  {part}" in result.stdout
    assert "acts on an answer from 95%, has it confirmed from 44%, holds from 40%" in result.stdout
    assert "not a safety function" in result.stdout


def test_help_and_version_start_with_the_caution() -> None:
    assert "not a safety function" in " ".join(tablevoice("--help").output.split())
    assert tablevoice("--version").output.startswith("tablevoice ")
