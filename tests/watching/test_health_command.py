"""``tablevoice health`` as a person and as a monitoring probe meet it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from tablevoice.cli import app
from tablevoice.commands.health_check import duration
from tablevoice.watching import health_file
from tablevoice.watching.health import judge
from tablevoice.watching.health_file import Document, document
from tests.test_cli import BOOK, CELL
from tests.watching.facts import WELL, spoilt


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    text = CELL + "health: {file: run/health.json, every_s: 2}\n"
    (tmp_path / "cell.yaml").write_text(text, encoding="utf-8")
    return tmp_path / "cell.yaml"


def ask(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["health", *(str(argument) for argument in arguments)])


def written(cell: Path, found: Document) -> Document:
    health_file.write(cell.parent / "run" / "health.json", found)
    return found


def of(**facts: dict[str, object] | None) -> Document:
    found = spoilt(**facts)
    return document("small table", "0", judge(found), found, 2.0)


def test_each_verdict_has_its_exit_status_and_says_why(cell: Path) -> None:
    written(cell, of())
    fine = ask(cell)
    assert fine.exit_code == 0
    assert fine.stdout.startswith("OK: small table, up 2 h 0 min, idle.")
    written(cell, of(microphone={"open": False}))
    degraded = ask(cell)
    assert degraded.exit_code == 1
    assert degraded.stdout.startswith("DEGRADED: small table")
    assert "microphone: The microphone is gone" in degraded.stdout
    assert "Check its cable" in degraded.stdout
    written(cell, of(loudspeaker={"open": False}))
    assert ask(cell).exit_code == 2


def test_the_health_file_itself_may_be_named(cell: Path) -> None:
    written(cell, of())
    assert ask(cell.parent / "run" / "health.json").exit_code == 0


def test_a_file_that_nobody_writes_any_more_is_stale(cell: Path) -> None:
    fresh = of()
    old = replace(fresh.written, clock_s=fresh.written.clock_s - 60.0)
    written(cell, replace(fresh, written=old))
    stale = ask(cell)
    assert stale.exit_code == 2
    assert stale.stdout.startswith("STALE: small table wrote nothing for 1 min")
    written(cell, replace(fresh, written=replace(fresh.written, boot="an earlier start")))
    assert "since the computer started" in ask(cell).stdout


def test_a_table_that_was_closed_is_said_to_be(cell: Path) -> None:
    closed = judge(spoilt(loudspeaker={"open": False}))
    old = replace(of().written, clock_s=0.0)
    written(cell, replace(of(), running=False, verdict="failing", reasons=closed.reasons,
                          written=old))  # fmt: skip
    told = ask(cell)
    assert told.exit_code == 2
    assert told.stdout.startswith("CLOSED: small table was closed in order")


def test_where_nothing_can_be_said_the_status_is_three_and_says_what_to_do(cell: Path) -> None:
    missing = ask(cell)
    assert missing.exit_code == 3
    assert "Is the table running" in missing.stderr
    cell.write_text(cell.read_text("utf-8").replace("health:", "# health:"), encoding="utf-8")
    unnamed = ask(cell)
    assert unnamed.exit_code == 3
    assert "health: {file: health.json}" in unnamed.stderr
    broken = ask(cell.parent / "no_cell.yaml")
    assert broken.exit_code == 3


def test_a_program_gets_the_whole_document(cell: Path) -> None:
    written(cell, of(history={"free_mb": 100.0}))
    told = ask(cell, "--json")
    found = json.loads(told.stdout)
    assert told.exit_code == found["exit_status"] == 1
    assert found["stale"] is False
    assert 0.0 <= found["age_s"] < 5.0
    assert found["facts"]["history"]["free_mb"] == 100.0
    (cell.parent / "run" / "health.json").unlink()
    told = ask(cell, "--json")
    assert json.loads(told.stdout)["exit_status"] == told.exit_code == 3


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.4, "0 s"), (59.4, "59 s"), (60.0, "1 min"), (3599.0, "1 h 0 min"), (7260.0, "2 h 1 min"),
     (180_000.0, "2 days 2 h")],
)  # fmt: skip
def test_durations_read_as_a_person_says_them(seconds: float, said: str) -> None:
    assert duration(seconds) == said


def test_a_table_without_ears_or_guard_is_told_without_them(cell: Path) -> None:
    bare = replace(WELL, microphone=None, listening=None, guard=None, links={}, hold="pause")
    written(cell, document("small table", "0", judge(bare), bare, 2.0))
    told = ask(cell)
    assert told.exit_code == 0
    assert "held (pause)" in told.stdout
    assert "answers come from buttons" in told.stdout
    assert "stop guard" not in told.stdout
