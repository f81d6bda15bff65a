"""A phrasebook that is saved while a real table runs, in every way in which editors save.

``tablevoice run`` in a process of its own, with a real engine and sound server; the file is
changed under it, and what it says next is what counts.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.test_live_session import CELL, Row, RunningTable, event, play

BOOK = """
format: 1
title: Edited live
language: en
slots:
  answer: [teal, violet]
events:
  hello: {about: Opens., lines: [Good morning to everybody at this table.]}
  count: {lines: [One., Two., Three.]}
  colour_asked: {about: Asks., priority: question, asks: colour, lines: [Which one is it?]}
  again: {about: Asks again., priority: question, lines: [Once more for me.]}
  button: {about: Falls back., priority: question, lines: [Press a key.]}
questions:
  colour:
    answers: {teal: [teal]}
    wait_s: 15
    tries: 8
    button_wait_s: 30
    ask_again: again
    waited: again
    give_up: button
standing:
  pause: {phrases: [pause]}
"""


class Desk:
    """Somebody who edits the phrasebook of a running table."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.book = folder / "book.yaml"
        self.book.write_text(BOOK, encoding="utf-8")
        self.text = BOOK
        (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
        self.table = RunningTable(folder / "cell.yaml", environment)
        self.events = 0

    def rename_into_place(self, text: str) -> None:
        """As editors do that never leave a half-written file."""
        beside = self.book.with_name(".book.yaml.new")
        beside.write_text(text, encoding="utf-8")
        beside.replace(self.book)
        self.text = text

    def truncate_and_write(self, text: str, pieces: int = 4, pause_s: float = 0.02) -> None:
        """As editors do that keep the file: it is empty, then grows."""
        step = len(text) // pieces + 1
        with self.book.open("w", encoding="utf-8") as file:
            for start in range(0, len(text), step):
                file.flush()
                os.fsync(file.fileno())
                time.sleep(pause_s)
                file.write(text[start : start + step])
        self.text = text

    def used(self, title: str) -> Row:
        """Wait until the phrasebook of that title is in use."""
        return self.table.wait_for(
            lambda row: row["type"] == "phrasebook" and row["title"] == title, 90.0
        )

    def say(self, name: str) -> str:
        """Report an event, and give the words that were said for it."""
        self.events += 1
        event_id = f"d{self.events}"
        self.table.send(event(event_id, name))
        self.table.wait_for(lambda row: row["type"] == "done" and row["id"] == event_id)
        return next(str(row["text"]) for row in reversed(self.table.seen)
                    if row["type"] == "said" and row["id"] == event_id)  # fmt: skip

    def complaints(self) -> str:
        return b"".join(self.table.complaints).decode()


def answered(desk: Desk, word: str, environment: dict[str, str]) -> Row:
    """Have the visitor say a word, again where a busy computer tore it, and give the answer."""
    for tries_left in range(3, -1, -1):
        play(word, environment)
        try:
            return desk.table.wait_for_type("answer", 25.0)
        except AssertionError:
            if not tries_left:
                raise
    raise AssertionError("at least one try")


def titled(title: str) -> str:
    return BOOK.replace("title: Edited live", f"title: {title}")


@pytest.fixture(scope="module")
def desk(
    pulse_environment: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("edited")
    opened = Desk(folder, pulse_environment)
    opened.table.wait_for_type("ready")
    yield opened
    opened.table.process.kill()
    opened.table.process.wait()


def test_a_file_renamed_into_place_is_used_between_two_lines(desk: Desk) -> None:
    said = [desk.say("count")]
    desk.table.send(event("long", "hello"))
    # A line takes 2 s; the edit comes while it is said, and must not cut or change it.
    desk.rename_into_place(titled("Renamed").replace("Three.]", "Three., Four.]"))
    changed = desk.used("Renamed")
    line = next(row for row in desk.table.seen if row["type"] == "said" and row["id"] == "long")
    assert line["said"] == "said"
    assert changed["at_s"] >= line["end_s"]
    said += [desk.say("count") for _ in range(3)]
    # The line that was said before the edit is remembered by what it is: it came once.
    assert sorted(said) == ["Four.", "One.", "Three.", "Two."]
    assert "used from the next line on" in desk.complaints()


def test_a_file_written_in_place_is_used_once_it_is_whole(desk: Desk) -> None:
    desk.truncate_and_write(titled("Written in place").replace("hello:", "welcome:"), pieces=8)
    changed = desk.used("Written in place")
    assert "welcome" in changed["events"]
    assert desk.say("welcome") == "Good morning to everybody at this table."
    # Nothing half-written was taken for an edit, nor complained about.
    assert not [row for row in desk.table.seen if row["type"] == "error"]


def test_a_broken_file_is_refused_and_the_old_one_stays(desk: Desk) -> None:
    desk.rename_into_place(titled("Broken").replace("asks: colour", "asks: coluor"))
    error = desk.table.wait_for_type("error")
    assert "the one before stays" in error["what"]
    assert "coluor" in error["what"]
    assert "book.yaml:10:" in error["where"]
    assert "'colour'" in error["do"]
    assert "coluor" in desk.complaints()
    assert desk.say("welcome") == "Good morning to everybody at this table."


def test_a_half_written_file_that_stays_so_is_refused_until_it_is_whole(desk: Desk) -> None:
    whole = titled("Whole again")
    desk.book.write_text(whole[: len(whole) // 2], encoding="utf-8")
    refused = desk.table.wait_for_type("error", 90.0)
    assert "the one before stays" in refused["what"]
    assert desk.say("welcome")
    desk.book.unlink()  # some editors take the file away for a moment
    time.sleep(0.3)
    desk.book.write_text(whole, encoding="utf-8")
    desk.used("Whole again")
    assert desk.say("hello")


def test_after_fifty_quick_saves_the_last_one_counts(desk: Desk) -> None:
    for number in range(49):
        text = titled(f"Save {number}")
        if number % 7 == 3:
            text = text.replace("events:", "evnts:")  # broken on the way
        if number % 2:
            desk.rename_into_place(text)
        else:
            desk.truncate_and_write(text, pieces=2, pause_s=0.002)
    desk.rename_into_place(titled("Save 49").replace("[One., Two., Three.]", "[The last one.]"))
    desk.used("Save 49")
    assert desk.say("count") == "The last one."
    # Most saves were overtaken before they were read.
    used = [row for row in desk.table.seen if row["type"] == "phrasebook"]
    assert len(used) < 40


def test_answers_follow_at_the_next_question(desk: Desk, pulse_environment: dict[str, str]) -> None:
    desk.table.send(event("q1", "colour_asked"))
    desk.table.wait_for(lambda row: row["type"] == "said" and row["event"] == "colour_asked")
    desk.rename_into_place(titled("Other answers").replace("{teal: [teal]}", "{violet: [violet]}"))
    # Still an answer to the question that is open.
    answer = answered(desk, "teal", pulse_environment)
    assert (answer["id"], answer["value"]) == ("q1", "teal")
    changed = desk.used("Other answers")
    assert changed["at_s"] >= answer["at_s"]
    desk.table.send(event("q2", "colour_asked"))
    desk.table.wait_for(
        lambda row: row["type"] == "said" and row["id"] == "q2" and row["event"] == "colour_asked"
    )
    answer = answered(desk, "violet", pulse_environment)
    assert (answer["id"], answer["value"]) == ("q2", "violet")


def test_a_word_that_the_recogniser_lacks_is_refused(desk: Desk) -> None:
    desk.rename_into_place(titled("Unknown word").replace("[teal]", "[zzyzxqua]"))
    refused = desk.table.wait_for_type("error", 90.0)
    assert "the one before stays" in refused["what"]
    assert "zzyzxqua" in refused["what"]
    assert desk.say("hello")


def test_the_history_knows_the_lines_of_all_editions(desk: Desk) -> None:
    desk.table.send({"v": 1, "type": "close"})
    desk.table.wait_for_type("closed")
    assert desk.table.process.wait(30) == 0
    with closing(sqlite3.connect(desk.book.with_name("history.sqlite"))) as history:
        texts = [text for (text,) in history.execute("SELECT text FROM said")]
        spent = history.execute("SELECT count(*), max(use_number) FROM spent").fetchone()
    assert {"Four.", "The last one."} <= set(texts)
    assert spent[0] >= 6
    assert spent[1] == len(texts)  # uses are counted on over every edit


def test_without_watchfiles_one_line_says_how_to_get_it(
    pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    """In a process that cannot import it, as where the extra was not installed."""
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    program = (
        "import sys; sys.modules['watchfiles'] = None; from tablevoice.cli import app; "
        "app(['run', sys.argv[1]])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "cell.yaml")], input=b"", timeout=120,
        env=pulse_environment, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()
    assert b"tablevoice[edit]" in done.stderr
    assert b"closed" in done.stdout or b"ready" in done.stdout
