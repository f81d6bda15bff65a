"""The log of ``tablevoice run`` as a person or a log shipper meets it, before any table opens."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_cli import BOOK, CELL

TALKATIVE = """
import ctypes, os, sys
from tablevoice.commands.running_log import log_open
with log_open("json", "info", None) as log:
    ctypes.CDLL(None).dprintf(2, b"a library in C\\n")
    os.write(2, b"half a line, ")
    os.write(2, b"and its end\\n\\n")
    print("from Python", file=sys.stderr, flush=True)
    log.out.info("ready")
print("afterwards", file=sys.stderr)
"""

CRASH = """
from tablevoice.commands.running_log import log_open
from tablevoice.watching.redaction import Redaction
with log_open("json", "info", None) as log:
    log.use(Redaction(frozenset({"amber-Lantern-17"})))
    raise RuntimeError("no way in with amber-Lantern-17")
"""


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL + "nonsense: 1\n", encoding="utf-8")
    return tmp_path / "cell.yaml"


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *(str(argument) for argument in arguments)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


def test_a_refused_cell_is_one_line_of_json_for_a_program(cell: Path) -> None:
    done = run("-m", "tablevoice", "run", cell, "--log", "json")
    assert (done.returncode, done.stdout) == (1, "")
    caution, refused = (json.loads(line) for line in done.stderr.splitlines())
    assert "not a safety function" in caution["text"]
    assert (refused["event"], refused["level"]) == ("refused", "error")
    assert "nonsense" in refused["what"]
    assert "cell.yaml:9" in refused["where"]


def test_and_one_sentence_for_a_person(cell: Path) -> None:
    done = run("-m", "tablevoice", "run", cell)
    assert (done.returncode, done.stdout) == (1, "")
    assert "not a safety function" in done.stderr
    assert "error: " in done.stderr
    assert "cell.yaml:9" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_log_file_takes_it_all(cell: Path, tmp_path: Path) -> None:
    done = run("-m", "tablevoice", "run", cell, "--log-file", tmp_path / "table.log")
    assert (done.returncode, done.stdout, done.stderr) == (1, "", "")
    text = (tmp_path / "table.log").read_text("utf-8")
    assert "refused" in text
    assert "caution" in text


def test_a_log_file_that_cannot_be_is_said_at_once(cell: Path, tmp_path: Path) -> None:
    done = run("-m", "tablevoice", "run", cell, "--log-file", tmp_path)
    assert done.returncode == 1
    assert "--log-file" in done.stderr
    assert "Traceback" not in done.stderr


def test_what_c_libraries_write_is_json_too() -> None:
    done = run("-c", TALKATIVE)
    assert done.returncode == 0
    *rows, last = done.stderr.splitlines()
    assert last == "afterwards"
    found = [json.loads(row) for row in rows]
    texts = {row["text"] for row in found if row["event"] == "standard_error"}
    assert texts == {"a library in C", "half a line, and its end", "from Python"}
    assert "ready" in {row["event"] for row in found}


def test_a_crash_is_one_line_of_json_without_the_secret() -> None:
    done = run("-c", CRASH)
    assert done.returncode == 70
    (row,) = (json.loads(line) for line in done.stderr.splitlines())
    assert row["event"] == "crashed"
    assert row["exception"].endswith("RuntimeError: no way in with [secret]")
