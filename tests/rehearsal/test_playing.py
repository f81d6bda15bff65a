"""A session file through the real table: what it leaves behind, twice the same bytes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from sqlite3 import connect
from typing import Any

import matplotlib.image
import pytest
import soundfile
import webvtt

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused
from tablevoice.rehearsal.playing import play
from tablevoice.rehearsal.session_rows import read_session_file

FIXTURES = Path(__file__).parents[2] / "audio_fixtures"
Row = dict[str, Any]

CELL = """
format: 1
table: rehearsed table
phrasebooks: [book.yaml]
voices:
  Alder: {voice: en-gb+m3, rate_wpm: 150}
  Briar: {voice: en-gb+f2, rate_wpm: 170}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite, keep_audio_days: 3}
"""

BOOK = """
format: 1
title: Rehearsed
language: en
slots:
  answer: [teal, violet]
quiet_hours:
  - {from: "20:00", until: "07:00"}
events:
  hello: {lines: [Good morning.]}
  too_long: {longest_s: 1.2, lines: [Short., This line goes on for much longer than it ever may.]}
  colour_asked: {priority: question, asks: colour, lines: [Which one is it?]}
  again: {priority: question, lines: [Once more for me.]}
  heard: {slots: [answer], lines: ["So it is {answer}."]}
  nobody: {lines: [Nobody said a word.]}
  holding: {priority: warning, lines: [Asked to wait.]}
  resumed: {lines: [Going on.]}
questions:
  colour:
    answers: {teal: [teal], violet: [violet]}
    wait_s: 4
    tries: 2
    button_wait_s: 5
    ask_again: again
    waited: again
standing:
  pause: {phrases: [pause], says: holding}
"""

TYPED = """
{"type": "session", "starts": "19:59", "reset_after_s": 3, "resumed": "resumed"}
{"type": "event", "event": "hello"}
{"type": "event", "event": "colour_asked"}
{"type": "person", "types": "teal", "after": "colour_asked", "nth": 1}
{"type": "event", "event": "heard", "slots": {"answer": "{answer}"}}
{"type": "event", "event": "nobody", "if_answer": null}
{"type": "event", "event": "too_long"}
{"type": "person", "types": "pause", "after": "too_long", "nth": 1}
{"type": "event", "event": "colour_asked", "after_s": 2}
{"type": "event", "event": "nobody", "if_answer": null}
{"type": "event", "event": "hello", "at_s": 75}
"""


@pytest.fixture(scope="module")
def cell(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cell")
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
    (folder / "typed.jsonl").write_text(TYPED, encoding="utf-8")
    return folder / "cell.yaml"


def rehearse(cell: Path, session: str, out: Path, *options: str, hash_seed: str = "0") -> str:
    done = subprocess.run(
        [sys.executable, "-m", "tablevoice", "rehearse", str(cell),
         "--session", str(cell.parent / session), "--out", str(out), *options],
        capture_output=True, text=True, timeout=180, check=False,
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def rows_in(folder: Path) -> list[Row]:
    lines = (folder / "session.jsonl").read_text("utf-8").splitlines()
    return [json.loads(line) for line in lines]


def folder_bytes(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def typed(cell: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("typed") / "out"
    return out, rehearse(cell, "typed.jsonl", out, hash_seed="1")


def test_a_second_run_leaves_the_same_bytes(
    cell: Path, typed: tuple[Path, str], tmp_path: Path
) -> None:
    first = folder_bytes(typed[0])
    assert sorted(first) == ["captions.vtt", "history.sqlite", "session.jsonl", "timeline.png"]
    rehearse(cell, "typed.jsonl", tmp_path / "again", hash_seed="4242")
    assert folder_bytes(tmp_path / "again") == first
    rehearse(cell, "typed.jsonl", typed[0], hash_seed="7")  # into the folder of an earlier one
    assert folder_bytes(typed[0]) == first


def test_typed_answers_are_answers_and_every_event_is_answered_once(
    typed: tuple[Path, str],
) -> None:
    rows = rows_in(typed[0])
    answers = [(row["value"], row["how"]) for row in rows if row["type"] == "answer"]
    assert answers == [("teal", "voice"), (None, "nobody")]
    said = [row["text"] for row in rows if row["type"] == "said" and row["said"] == "said"]
    assert "So it is teal." in said
    assert said.count("Once more for me.") == 1  # nobody answered the second question
    reported = [row["id"] for row in rows if row["type"] == "event"]
    replied = [row["id"] for row in rows if row["type"] in ("done", "answer", "error")]
    assert sorted(reported) == sorted(replied)


def test_lines_too_long_for_their_event_are_left_out_as_in_a_real_session(
    typed: tuple[Path, str],
) -> None:
    said = [row for row in rows_in(typed[0]) if row["type"] == "said"]
    assert [row["text"] for row in said if row["event"] == "too_long"] == ["Short."]


def test_a_typed_pause_is_obeyed_until_its_reset(typed: tuple[Path, str]) -> None:
    rows = rows_in(typed[0])
    (request,) = [row for row in rows if row["type"] == "hold_request"]
    (cleared,) = [row for row in rows if row["type"] == "hold_cleared"]
    assert 3.0 <= cleared["at_s"] - request["at_s"] < 3.1
    between = [row["event"] for row in rows if row["type"] == "said" and row["start_s"] is not None
               and request["at_s"] < row["start_s"] < cleared["at_s"]]  # fmt: skip
    assert set(between) <= {"holding"}


def test_quiet_hours_begin_on_the_sessions_clock(typed: tuple[Path, str]) -> None:
    """It starts at 19:59; at 20:00 only questions and warnings speak."""
    out, printed = typed
    late = [row for row in rows_in(out) if row["type"] == "done" and row["at_s"] > 75]
    assert [row["why"] for row in late] == ["quiet hours from 20:00 to 07:00"]
    assert "Kept quiet" in printed
    with closing(connect(out / "history.sqlite")) as history:
        withheld = history.execute(
            "SELECT event, note, utc FROM said WHERE outcome = 'withheld'"
        ).fetchall()
    assert ("hello", "quiet hours from 20:00 to 07:00") in {row[:2] for row in withheld}
    assert all(row[2].startswith("2030-01-01T20:0") for row in withheld)


def test_captions_and_picture_are_whole(typed: tuple[Path, str]) -> None:
    out, _ = typed
    sounded = [
        row["text"] for row in rows_in(out) if row["type"] == "said" and row["start_s"] is not None
    ]
    captions = webvtt.read(str(out / "captions.vtt")).captions
    assert [caption.text for caption in captions] == sounded
    picture = matplotlib.image.imread(out / "timeline.png")
    assert picture[..., :3].std() > 0.02


def test_a_recorded_word_goes_through_room_and_recogniser(cell: Path, tmp_path: Path) -> None:
    word = soundfile.read(FIXTURES / "visitor_violet.flac")
    soundfile.write(cell.parent / "violet.wav", *word)
    session = cell.parent / "recorded.jsonl"
    session.write_text("""
{"type": "session", "noise": "shop", "noise_dbfs": -60}
{"type": "event", "event": "colour_asked"}
{"type": "person", "plays": "violet.wav", "after": "colour_asked"}
{"type": "person", "repeats": true, "after": "again", "gain_db": 3}
{"type": "event", "event": "heard", "slots": {"answer": "{answer}"}}
""", encoding="utf-8")  # fmt: skip
    printed = rehearse(cell, "recorded.jsonl", tmp_path / "out", "--sound", hash_seed="1")
    rehearse(cell, "recorded.jsonl", tmp_path / "again", "--sound", hash_seed="2")
    assert folder_bytes(tmp_path / "again") == folder_bytes(tmp_path / "out")
    assert "Answer: colour = violet" in printed
    rows = rows_in(tmp_path / "out")
    assert {row["text"] for row in rows if row["type"] == "heard"} == {"violet"}
    sound = soundfile.info(tmp_path / "out" / "session.wav")
    closed = next(row for row in rows if row["type"] == "closed")
    assert abs(sound.duration - closed["at_s"]) < 0.1


def test_a_record_plays_again_to_the_same_end(
    cell: Path, typed: tuple[Path, str], tmp_path: Path
) -> None:
    """The controller's and the room's rows of a session.jsonl; people then speak aloud."""
    rows = [row for row in rows_in(typed[0]) if row["type"] != "close"]
    record = cell.parent / "record.jsonl"
    text = [json.dumps(row) for row in rows if row["type"] != "person_said"]
    text += [
        json.dumps({"type": "person", "who": row["who"], "types": row["text"], "at_s": row["at_s"]})
        for row in rows
        if row["type"] == "person_said"
    ]
    record.write_text('{"type": "session", "starts": "19:59"}\n' + "\n".join(text),
                      encoding="utf-8")  # fmt: skip
    rehearse(cell, "record.jsonl", tmp_path / "out")
    told = [(row["text"], row["said"]) for row in rows if row["type"] == "said"]
    again = [(row["text"], row["said"]) for row in rows_in(tmp_path / "out")
             if row["type"] == "said"]  # fmt: skip
    assert again == told


def test_a_guarded_table_is_rehearsed_with_a_guard_on_paper(cell: Path, tmp_path: Path) -> None:
    session = tmp_path / "stopped.jsonl"
    session.write_text("""
{"type": "session", "reset_after_s": 2}
{"type": "event", "event": "hello"}
{"type": "stop_pressed", "during": "hello", "after_s": 0.3}
{"type": "event", "event": "nobody"}
""", encoding="utf-8")  # fmt: skip
    play(read_session_file(session), load_cell(cell), tmp_path / "out", sound=False)
    rows = rows_in(tmp_path / "out")
    states = [row["state"] for row in rows if row["type"] == "guard"]
    assert states == ["permitted", "tripped", "permitted"]
    cut = [row["said"] for row in rows if row["type"] == "said" and row["event"] == "hello"]
    assert cut == ["cut"]
    assert [row["said"] for row in rows if row["type"] == "said" and row["event"] == "nobody"] == [
        "said"
    ]


def test_a_file_that_does_not_fit_leaves_an_earlier_rehearsal_alone(
    cell: Path, tmp_path: Path
) -> None:
    session = tmp_path / "wrong.jsonl"
    session.write_text('{"type": "event", "event": "hallo"}\n', encoding="utf-8")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "session.jsonl").write_text("earlier\n", encoding="utf-8")
    with pytest.raises(FileRefused, match="'hello'"):
        play(read_session_file(session), load_cell(cell), tmp_path / "out")
    assert (tmp_path / "out" / "session.jsonl").read_text("utf-8") == "earlier\n"
