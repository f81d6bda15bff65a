"""Rendering ahead with real engines: once each, only what changed, failures told."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.errors import EngineFailed
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.preparing import MOST_FAILURES_RUNNING, prepare
from tablevoice.speech.store import PreparedStore, line_key

VOICES = {
    "Alder": Voice("Alder", voice="en-gb+m3", rate_wpm=150),
    "Briar": Voice("Briar", voice="en-us+f3"),
}
LINES = [(f"{count} lights to go.", arm) for count in range(1, 6) for arm in VOICES]


def test_everything_is_prepared_once_and_then_only_what_changed(
    engine: Engine, tmp_path: Path
) -> None:
    store = PreparedStore(tmp_path, 50)
    seen: list[tuple[int, int]] = []
    report = prepare(
        [*LINES, *LINES], VOICES, engine, store, lambda *at: seen.append(at), workers=3
    )
    assert (report.made, report.kept, report.left_out, report.problems) == (10, 0, 0, ())
    assert seen == [(done, 10) for done in range(11)]
    for text, arm in LINES:
        assert store.get(line_key(text, VOICES[arm], engine.version())) is not None

    edited = [("One single light to go.", "Alder"), *LINES[1:]]
    again = prepare(edited, VOICES, engine, PreparedStore(tmp_path, 50))
    assert (again.made, again.kept) == (1, 9)

    slower = {**VOICES, "Briar": Voice("Briar", voice="en-us+f3", rate_wpm=120)}
    again = prepare(LINES, slower, engine, PreparedStore(tmp_path, 50))
    assert (again.made, again.kept) == (5, 5)


def test_failures_are_told_and_stop_nothing(engine: Engine, tmp_path: Path) -> None:
    voices = {**VOICES, "Cho": Voice("Cho", voice="en-us+f33")}
    lines = [("...", "Alder"), ("Amber.", "Cho"), ("Amber.", "Dogwood"), *LINES]
    report = prepare(lines, voices, engine, PreparedStore(tmp_path, 50))
    assert report.made == 10
    told = sorted(problem.what for problem in report.problems)
    assert len(told) == 3
    assert "no sound of '...'" in told[2]
    assert "no variant 'f33'" in told[0]
    assert "'Dogwood'" in told[1]


def test_it_gives_up_when_everything_fails(engine: Engine, tmp_path: Path) -> None:
    lines = [(f"{count} lights", "Alder") for count in range(100)]
    report = prepare(
        lines, {"Alder": Voice("Alder", voice="nobody")}, engine, PreparedStore(tmp_path, 50)
    )
    tried = len(report.problems)
    assert MOST_FAILURES_RUNNING <= tried <= MOST_FAILURES_RUNNING + 2
    assert (report.made, report.left_out) == (0, 100 - tried)


def test_it_is_bounded(engine: Engine, tmp_path: Path) -> None:
    report = prepare(LINES, VOICES, engine, PreparedStore(tmp_path, 50), limit=4)
    assert (report.made, report.left_out) == (4, 6)
    with pytest.raises(ValueError, match="1 or more"):
        prepare(LINES, VOICES, engine, PreparedStore(tmp_path, 50), workers=0)


def test_a_store_too_small_is_told(engine: Engine, tmp_path: Path) -> None:
    report = prepare(LINES, VOICES, engine, PreparedStore(tmp_path, 0.05, memory_mb=0.0))
    assert report.made == 10
    assert "too small" in report.problems[-1].what


def test_an_unwritable_store_ends_it(engine: Engine, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    store = PreparedStore(folder, 50)
    folder.rmdir()
    folder.write_text("not a folder any more")
    report = prepare(LINES, VOICES, engine, store, workers=1)
    assert (report.made, report.left_out) == (0, 9)
    assert "cannot be written" in report.problems[0].what


def test_an_engine_that_does_not_start_ends_it_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.executable", str(tmp_path / "no-such-python"))
    with Engine() as broken, pytest.raises(EngineFailed, match="does not start"):
        prepare(LINES, VOICES, broken, PreparedStore(tmp_path, 50))
