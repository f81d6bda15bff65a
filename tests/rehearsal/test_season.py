"""A season of sessions: its counts against a plain recount, and its files byte for byte."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import matplotlib.image
import pytest
from typer.testing import CliRunner

from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.cli import app
from tablevoice.model import Phrasebook
from tablevoice.phrasebook import load_phrasebook
from tablevoice.rehearsal.lengths import Lengths, estimated_s
from tablevoice.rehearsal.season import Plan, Season, simulate, why_never
from tablevoice.rehearsal.season_picture import draw_season
from tablevoice.rehearsal.season_report import event_rows, line_rows

CELL = """
format: 1
table: rehearsed table
phrasebooks: [book.yaml]
voices:
  Alder: {voice: en-gb+m3, rate_wpm: 150}
  Briar: {voice: en-gb+f2, rate_wpm: 170}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
writing: {expected_uses: {farewell: 0.25}}
"""

BOOK = """
format: 1
title: Rehearsed
language: en
slots:
  arm: [Alder, Briar]
  lights: [0, 1, 2, 3]
  note: any
kinds:
  teasing: {every_s: 600}
  song: {every_sessions: 3}
quiet_hours:
  - {from: "13:00", until: "14:00"}
events:
  turn:
    slots: [arm, lights]
    uses: 6
    voice: "{arm}"
    lines:
      - Mine now.
      - Let me see.
      - Here I go.
      - {say: Slow as paper., kind: teasing}
      - {say: Sleepy today., kind: teasing}
      - {say: La la la., kind: song}
      - {say: Not today., weight: 0}
      - {say: A heron came by., name: heron}
      - {say: It left again., follows: heron}
  chat: {priority: banter, uses: 3.5, lines: [{say: Well well., kind: teasing}]}
  asked: {priority: question, uses: 1, slots: [note], lines: ["{note}?", "Which {note}?"]}
  farewell: {uses: 1, lines: [Good bye., See you., So long., Farewell.]}
  unheard: {lines: [Nobody hears this.], uses: 0}
  forgotten: {lines: [How often?]}
  alarm: {priority: warning, lines: [Stand back.]}
"""

USES = {"turn": 6.0, "chat": 3.5, "asked": 1.0, "farewell": 0.25, "unheard": 0.0}


@pytest.fixture
def book(tmp_path: Path) -> Phrasebook:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    return load_phrasebook(tmp_path / "book.yaml")


def played(book: Phrasebook, plan: Plan, uses: dict[str, float] = USES) -> Season:
    return simulate(book, plan, uses, "Alder", lambda text, voice: (2.0, True))


def test_events_come_as_often_as_expected(book: Phrasebook) -> None:
    season = played(book, Plan(400, seed=3))
    assert season.events["turn"] == 6 * 400
    # A fraction is a chance: 0.25 and 3.5 over 400 sessions, five standard deviations wide.
    assert abs(season.events["farewell"] - 100) < 5 * (400 * 0.25 * 0.75) ** 0.5
    assert abs(season.events["chat"] - 1400) < 5 * (400 * 0.25) ** 0.5
    assert season.events["unheard"] == 0
    assert season.events["forgotten"] == 400
    assert season.assumed == ("forgotten", "alarm")
    assert 0 < season.events["alarm"] < 80  # a warning is taken for rare
    said = sum(record.uses for record in season.lines)
    assert said + sum(season.withheld.values()) == sum(season.events.values())


def test_a_line_comes_back_after_as_many_sessions_as_there_are_lines(tmp_path: Path) -> None:
    """With one use a session: after n sessions on the average, never before the second."""
    text = BOOK.split("kinds:", maxsplit=1)[0] + "events:\n  one: {uses: 1, lines: ["
    text += ", ".join(f"Line {word}." for word in "abcdefgh") + "]}\n"
    (tmp_path / "book.yaml").write_text(text, encoding="utf-8")
    season = played(load_phrasebook(tmp_path / "book.yaml"), Plan(800, seed=5), {"one": 1.0})
    gaps = [gap for record in season.lines for gap, n in record.gaps.items() for _ in range(n)]
    assert min(gaps) == 2
    assert max(gaps) <= 2 * 8 - 1
    assert abs(sum(gaps) / len(gaps) - 8) < 0.1
    (row,) = event_rows(season)
    assert (row.never, row.repeats_within, row.soonest_sessions) == (0, 0, 2)


def test_kinds_quiet_hours_and_stories_show_in_the_season(book: Phrasebook) -> None:
    season = played(book, Plan(300, seed=2))
    by_text = {record.line.text: record for record in season.lines}
    song = by_text["La la la."]
    assert song.uses > 50
    assert min(song.gaps) >= 3  # its kind comes every third session at most
    story = by_text["A heron came by."], by_text["It left again."]
    assert all(record.gaps[0] == 0 for record in story)  # once a session at most
    assert 0 < story[1].uses <= story[0].uses
    assert season.held_back["teasing"] > 0
    assert season.withheld["teasing: at most one in 600 s"] > 0
    assert season.withheld["quiet hours from 13:00 to 14:00"] > 0
    assert by_text["{note}?"].uses > 0  # questions are put in quiet hours, too
    assert why_never(by_text["Not today."], season) == "rests: its weight is 0"
    assert why_never(by_text["Nobody hears this."], season) == "its event never came"


def test_another_seed_is_another_season(book: Phrasebook) -> None:
    seasons = [
        [(record.uses, record.gaps) for record in played(book, Plan(40, seed)).lines]
        for seed in (1, 1, 2)
    ]
    assert seasons[0] == seasons[1]
    assert seasons[0] != seasons[2]


def test_the_share_of_talking_is_the_lengths_over_the_time(book: Phrasebook) -> None:
    plan = Plan(10, seed=1, session_s=600.0)
    season = simulate(book, plan, dict.fromkeys(book.events, 1.0), "Alder",
                      lambda text, voice: (3.0, voice == "Alder"))  # fmt: skip
    said = sum(record.uses for record in season.lines)
    assert season.talking == pytest.approx(said * 3.0 / 6000.0)
    assert 0.0 < season.measured < 1.0


def test_an_estimate_is_near_what_the_engine_speaks(tmp_path: Path) -> None:
    """Against real renderings, by two voices of other speeds; an estimate may be a third off."""
    texts = ("Let me see what is in the basket now.", "Well. That, I fear, was a moth.")
    with Assembly(load_cell(_written(tmp_path)), remember=False) as parts:
        for text in texts:
            for name, voice in parts.cell.voices.items():
                assert parts.voices.prepared_s(text, name) is None
                lasts_s = parts.voices.clip(text, name).duration_s
                lengths = Lengths(parts.cell.voices, parts.voices.prepared_s)
                assert lengths(text, name) == (lasts_s, True)
                assert lasts_s / 1.34 < estimated_s(text, voice.rate_wpm) < lasts_s * 1.34


def test_every_line_is_in_the_rows_and_the_picture_is_drawn(
    book: Phrasebook, tmp_path: Path
) -> None:
    season = played(book, Plan(50))
    assert len(line_rows(season)) == sum(len(event.lines) for event in book.events.values())
    draw_season(season, book, tmp_path / "season.png")
    picture = matplotlib.image.imread(tmp_path / "season.png")
    assert picture.shape[1] > 1000
    assert picture[..., :3].std() > 0.02
    draw_season(season, book, tmp_path / "season.svg")
    svg = ElementTree.parse(tmp_path / "season.svg").getroot()
    assert svg.tag.endswith("svg")


def _written(folder: Path) -> Path:
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
    return folder / "cell.yaml"


def rehearse(cell: Path, out: Path, *options: str, hash_seed: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "tablevoice", "rehearse", str(cell), "--out", str(out), *options],
        capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "PYTHONHASHSEED": hash_seed, "COLUMNS": "100"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def folder_bytes(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_two_runs_of_the_command_give_the_same_bytes(tmp_path: Path) -> None:
    cell = _written(tmp_path)
    printed = [
        rehearse(cell, tmp_path / name, "--sessions", "60", "--seed", "4", hash_seed=hash_seed)
        for name, hash_seed in (("one", "1"), ("two", "31337"))
    ]
    assert printed[0].replace("/one/", "/two/") == printed[1]
    first, second = folder_bytes(tmp_path / "one"), folder_bytes(tmp_path / "two")
    assert sorted(first) == ["season.csv", "season.json", "season.png"]
    assert first == second
    whole = json.loads(first["season.json"])
    rows = list(csv.DictReader(first["season.csv"].decode().splitlines()))
    assert [int(row["uses"]) for row in rows] == [line["uses"] for line in whole["lines"]]
    assert whole["plan"]["sessions"] == 60
    # The cell's word on how often an event comes stands above the phrasebook's.
    (farewell,) = [row for row in whole["events"] if row["event"] == "farewell"]
    assert farewell["expected"] == 0.25
    assert "an estimate: no line is prepared" in printed[0]
    assert "Expected uses are not given for 2 events" in printed[0]


@pytest.mark.parametrize(
    ("options", "words"),
    [([], "--sessions 1000"), (["--sessions", "3", "--session", "x"], "--session FILE"),
     (["--sessions", "3", "--picture", ".bmp"], ".png, .svg"),
     (["--sessions", "3", "--minutes", "0"], "more minutes")],
)  # fmt: skip
def test_what_cannot_be_rehearsed_is_one_clear_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["rehearse", str(_written(tmp_path)), *options])
    assert done.exit_code == 1
    assert done.stderr.count("error:") == 1
    assert words in done.stderr
