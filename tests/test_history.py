"""The history on real files: crashes, damage, full disks, and what may not be kept."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

import pytest

from tablevoice.errors import Problem, StoreUnwritable
from tablevoice.history import History
from tablevoice.history_file import SCHEMA_STEPS
from tablevoice.model import (
    Event,
    Heard,
    Hypothesis,
    Match,
    Priority,
    Spent,
    Utterance,
    Verdict,
)

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=timezone.utc)
KILLS = 20


def utterance(number: int = 1, text: str = "Vier Laternen – 灯籠") -> Utterance:
    return Utterance(
        id=f"u{number}",
        event_id="e1",
        event="turn",
        line_key="k1",
        voice="Alder",
        text=text,
        priority=Priority.MOVE,
        interruptible=True,
        born_s=0.5,
        fresh_until_s=8.0,
    )


def heard(start_s: float = 2.0) -> Heard:
    return Heard(Hypothesis("violet", 0.8, True, {"score": -3.5}), start_s, start_s + 0.6, -31.0)


def without_times(rows: Iterable[Spent]) -> tuple[Spent, ...]:
    assert all(row.at_s <= 0 for row in rows)
    return tuple(replace(row, at_s=0.0) for row in rows)


MATCH = Match("violet", "violet", 0.8, 0.4, "amber")


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with History(tmp_path / "history.db", utc_now=lambda: NOON) as opened:
        opened.begin_session("lantern table", "0.1")
        yield opened


# --- what is recorded comes back ------------------------------------------------


def test_a_session_comes_back_from_a_second_opening(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "down" / "history.db"
    with History(path, utc_now=lambda: NOON) as first:
        session = first.begin_session("lantern table", "0.1")
        first.record_event(0.25, Event("e1", "turn", {"arm": "Alder", "lights": 4}))
        first.record_said(1.5, utterance(), "said", start_s=0.6, end_s=1.5)
        first.record_heard(2.7, heard(), MATCH, Verdict.ACT)
        first.record_decided(
            2.8, event_id="e1", question="colour", value="violet", how="voice",
            certainty=0.8, tries=1,
        )  # fmt: skip
        first.record_problem(2.9, Problem("no microphone", "device 3", "Plug it in."))
    with History(path) as second:
        (row,) = second.sessions()
        entries = second.entries(session)
        said, was_heard = second.utterances(session)
    assert (row.table, row.started_utc, row.how_ended) == (
        "lantern table",
        "2031-05-04T12:00:00.000Z",
        "closed",
    )
    assert [entry.kind for entry in entries] == ["event", "said", "heard", "decided", "problem"]
    assert entries[0].fields["slots"] == '{"arm": "Alder", "lights": 4}'
    assert said.fields["text"] == "Vier Laternen – 灯籠"
    assert (said.fields["start_s"], said.fields["end_s"], said.at_s) == (0.6, 1.5, 1.5)
    assert (was_heard.fields["meaning"], was_heard.fields["verdict"]) == ("violet", "act")
    assert was_heard.fields["audio_file"] is None
    assert entries[3].fields["certainty"] == 0.8
    assert entries[4].fields["advice"] == "Plug it in."


def test_the_tail_is_the_last_entries_over_all_kinds_in_time_order(history: History) -> None:
    session = history.session
    assert session is not None
    for number in range(50):
        history.record_said(number + 0.5, utterance(number), "said")
        history.record_heard(float(number), heard(), MATCH, Verdict.IGNORE)
    tail = history.utterances(session, last=5)
    assert [entry.at_s for entry in tail] == [47.5, 48.0, 48.5, 49.0, 49.5]
    assert len(history.utterances(session)) == 100
    assert history.utterances(session, last=0) == ()


def test_sessions_come_newest_first_and_an_unfinished_one_has_no_end(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    for number in range(4):
        with History(path) as history:
            history.begin_session(f"table {number}", "0")
    unfinished = History(path)
    unfinished.begin_session("table 4", "0")
    unfinished.close()
    with History(path) as history:
        assert history.problem is None
        assert [row.table for row in history.sessions(3)] == ["table 4", "table 3", "table 2"]
        assert [row.ended_utc is None for row in history.sessions(2)] == [True, False]


def test_a_session_that_an_error_ended_says_which(tmp_path: Path) -> None:
    path = tmp_path / "history.db"

    def failing_session() -> None:
        with History(path) as history:
            history.begin_session("table", "0")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        failing_session()
    with History(path) as history:
        assert history.sessions()[0].how_ended == "ZeroDivisionError"


def test_a_hold_is_in_force_over_restarts_until_it_is_cleared(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    with History(path) as history:
        assert history.hold_in_force() is None
        history.begin_session("table", "0")
        history.record_hold_requested(1.0, kind="pause", phrase="hold on", certainty=0.7)
        history.record_hold_requested(2.0, kind="stop", phrase="stop", certainty=0.9)
    with History(path) as history:
        assert history.hold_in_force() == "stop"
        history.begin_session("table", "0")
        history.record_hold_cleared(1.0, kind="stop", cleared_by="reset key")
        assert history.hold_in_force() is None


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_numbers_that_are_none_are_refused_before_they_reach_the_file(
    history: History, bad: float
) -> None:
    with pytest.raises(ValueError, match=r"event\.at_s"):
        history.record_event(bad, Event("e1", "turn"))
    assert history.session is not None
    assert history.entries(history.session) == ()


def test_it_belongs_to_the_thread_that_opened_it(history: History) -> None:
    raised: list[BaseException] = []

    def from_elsewhere() -> None:
        try:
            history.record_event(1.0, Event("e1", "turn"))
        except sqlite3.ProgrammingError as error:
            raised.append(error)

    thread = threading.Thread(target=from_elsewhere)
    thread.start()
    thread.join()
    assert len(raised) == 1
    assert "thread" in str(raised[0])


def test_recording_without_a_session_is_a_mistake_of_the_program(tmp_path: Path) -> None:
    with History(tmp_path / "history.db") as history:
        with pytest.raises(RuntimeError, match="begin_session"):
            history.record_event(1.0, Event("e1", "turn"))
        history.begin_session("table", "0")
        with pytest.raises(RuntimeError, match="already"):
            history.begin_session("table", "0")
        with pytest.raises(ValueError, match="no such kinds"):
            history.entries(1, ("spoken",))


# --- spent lines ----------------------------------------------------------------


def test_of_each_line_and_voice_the_newest_round_comes_back_in_order(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    with History(path) as history:
        history.remember_spent(Spent("turn", "Alder", "rare", 3, voice_round=2))
        for number in range(500):
            history.remember_spent(Spent("turn", "Alder", f"k{number % 10}", number // 10))
        history.remember_spent(Spent("turn", "Briar", "k0", 0))
    with History(path) as history:
        spent = without_times(history.spent())
    assert spent == (
        Spent("turn", "Alder", "rare", 3, voice_round=2),
        *(Spent("turn", "Alder", f"k{number}", 49) for number in range(10)),
        Spent("turn", "Briar", "k0", 0),
    )


def test_lines_that_are_gone_from_the_phrasebook_are_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    rows = [Spent("turn", "Alder", f"k{number}", 2) for number in range(5)]
    with History(path) as history:
        for row in rows:
            history.remember_spent(row)
        history.keep_only_spent(rows[2:4])
    with History(path) as history:
        assert without_times(history.spent()) == tuple(rows[2:4])


def test_what_is_recorded_together_is_kept_together_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    with History(path) as history:
        history.begin_session("table", "0")
        with history.together():
            history.record_event(1.0, Event("e1", "turn"))
            history.remember_spent(Spent("turn", "Alder", "k1", 1))

        def fail_half_way() -> None:
            with history.together():
                history.record_event(2.0, Event("e2", "turn"))
                history.remember_spent(Spent("turn", "Alder", "k2", 1))
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            fail_half_way()
        kept = [entry.fields["event_id"] for entry in history.entries(1)]
        assert kept == ["e1"]
        assert without_times(history.spent()) == (Spent("turn", "Alder", "k1", 1),)


# --- the plug is pulled ---------------------------------------------------------


def test_no_acknowledged_row_is_lost_when_the_recorder_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    chance = random.Random(4)
    acknowledged: list[int] = []
    first = 0
    for _ in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.recording_child", str(path), str(first)],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[1],
        )
        assert child.stdout is not None
        acknowledged.append(int(child.stdout.readline()))
        time.sleep(chance.uniform(0.0, 0.08))
        child.kill()
        # What was printed before the kill is still in the pipe; a torn last line is not a promise.
        lines = child.stdout.read().split(b"\n")
        acknowledged += [int(line) for line in lines[:-1]]
        child.stdout.close()
        assert child.wait() != 0  # it was killed at work, it did not end
        first = acknowledged[-1] + 2  # one more may have been written than was acknowledged
    with History(path) as history:
        assert history.problem is None
        recorded = {
            entry.fields["event_id"]
            for row in history.sessions(KILLS + 1)
            for entry in history.entries(row.id)
        }
        keys = {spent.line_key for spent in history.spent()}
        newest_round = max(spent.round for spent in history.spent())
    assert len(acknowledged) > KILLS
    assert {f"e{number}" for number in acknowledged} <= recorded
    assert {f"k{n}" for n in acknowledged if n // 50 == newest_round} <= keys


def test_each_commit_waits_for_the_disk(history: History) -> None:
    # A killed process leaves the system's cache alone; against a cut power stand these
    # two settings, which SQLite documents as durable (synchronous: 2 is FULL).
    assert history._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert history._db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert not history._db.in_transaction


# --- damage ---------------------------------------------------------------------


def filled(path: Path, rows: int = 400) -> None:
    with History(path) as history:
        history.begin_session("table", "0")
        for number in range(rows):
            history.record_said(float(number), utterance(number, "x" * 100), "said")


def test_a_file_that_is_no_database_is_moved_aside_and_kept(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    rubbish = bytes(random.Random(1).randbytes(20_000))
    path.write_bytes(rubbish)
    with History(path, utc_now=lambda: NOON) as history:
        problem = history.problem
        history.begin_session("table", "0")
        history.record_said(1.0, utterance(), "said")
    assert problem is not None
    assert "damaged" in problem.what
    aside = Path(problem.where)
    assert aside.name == "history.db.damaged-20310504T120000Z"
    assert aside.read_bytes() == rubbish
    with History(path) as history:
        assert history.problem is None
        assert len(history.utterances(1)) == 1


def test_damage_inside_the_file_is_found_after_a_session_that_was_cut_short(
    tmp_path: Path,
) -> None:
    path = tmp_path / "history.db"
    filled(path)
    unfinished = History(path)
    unfinished.begin_session("table", "0")
    unfinished.close()
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = b"\xaa" * 4096
    path.write_bytes(content)
    with History(path) as history:
        assert history.problem is not None
        assert Path(history.problem.where).read_bytes() == bytes(content)
        assert history.sessions() == ()


def test_two_damaged_files_in_one_second_are_both_kept(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    for number in range(3):
        path.write_bytes(b"broken %d " % number * 1000)
        History(path, utc_now=lambda: NOON).close()
    kept = sorted(tmp_path.glob("history.db.damaged-*"))
    assert [file.read_bytes()[:8] for file in kept] == [b"broken 0", b"broken 1", b"broken 2"]


def test_an_empty_file_is_a_new_history(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    path.touch()
    with History(path) as history:
        assert history.problem is None
        assert history.begin_session("table", "0") == 1


# --- refusals -------------------------------------------------------------------


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipe (name TEXT)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(StoreUnwritable, match="another program"):
        History(path)
    assert path.read_bytes() == before


def test_a_newer_schema_is_refused_with_both_versions(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    newer = (*SCHEMA_STEPS, "ALTER TABLE said ADD COLUMN mood TEXT")
    with History(path, schema_steps=newer) as history:
        history.begin_session("table", "0")
    versions = rf"version {len(newer)}, this program knows {len(SCHEMA_STEPS)}"
    with pytest.raises(StoreUnwritable, match=versions) as refused:
        History(path)
    assert refused.value.problem.where == str(path)


def test_an_older_schema_is_brought_up_with_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    filled(path, 3)
    newer = (*SCHEMA_STEPS, "ALTER TABLE said ADD COLUMN mood TEXT DEFAULT 'calm'")
    with History(path, schema_steps=newer) as history:
        assert [entry.fields["mood"] for entry in history.utterances(1)] == ["calm"] * 3
    with History(path, schema_steps=newer) as history:
        assert len(history.utterances(1)) == 3


def test_a_step_that_fails_leaves_the_old_schema_whole(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    filled(path, 3)
    broken = (*SCHEMA_STEPS, "ALTER TABLE said ADD COLUMN mood TEXT; ALTER TABLE nothing DROP x")
    with pytest.raises(StoreUnwritable):
        History(path, schema_steps=broken)
    with History(path) as history:
        assert history.problem is None
        assert "mood" not in history.utterances(1)[0].fields


def test_a_locked_file_is_refused_and_nothing_is_moved(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    filled(path, 3)
    with History(path, busy_s=0.05) as history:
        history.begin_session("table", "0")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnwritable, match="locked") as refused:
            history.record_said(1.0, utterance(), "said")
        assert "other program" in refused.value.problem.do
        other.execute("ROLLBACK")
        other.close()
        history.record_said(2.0, utterance(), "said")
        assert [entry.at_s for entry in history.utterances(2)] == [2.0]
    assert not list(tmp_path.glob("*.damaged*"))


def test_a_full_disk_loses_nothing_that_was_recorded(history: History) -> None:
    # SQLite's own limit on pages gives its own "disk is full" (SQLITE_FULL).
    session = history.session
    assert session is not None
    (pages,) = history._db.execute("PRAGMA page_count").fetchone()
    history._db.execute(f"PRAGMA max_page_count = {pages + 3}")
    recorded = 0

    def fill() -> None:
        nonlocal recorded
        for number in range(10_000):
            history.record_said(float(number), utterance(number, "x" * 500), "said")
            recorded += 1

    with pytest.raises(StoreUnwritable, match="full") as refused:
        fill()
    assert "disk space" in refused.value.problem.do
    assert recorded > 0
    assert len(history.utterances(session)) == recorded
    history._db.execute(f"PRAGMA max_page_count = {pages + 1000}")
    history.remember_spent(Spent("turn", "Alder", "k", 0))
    history.record_said(recorded + 1.0, utterance(), "said")
    assert len(history.utterances(session)) == recorded + 1


def test_a_place_that_cannot_hold_a_file_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.touch()
    folder = tmp_path / "folder"
    folder.mkdir()
    for path in (file / "history.db", folder):
        with pytest.raises(StoreUnwritable) as refused:
            History(path)
        problem = refused.value.problem
        assert problem.where == str(path)
        assert problem.do


def test_a_spoilt_log_beside_the_file_does_not_make_the_history_look_new(tmp_path: Path) -> None:
    """SQLite passes over a log it cannot read; what came before must be in the file by then."""
    path = tmp_path / "history.sqlite"
    first = History(path)
    first.begin_session("table", "0")
    first.record_event(1.0, Event("e1", "turn"))
    log = path.with_name(path.name + "-wal")
    with log.open("r+b") as file:
        file.write(b"\xa5" * log.stat().st_size)
    with path.open("r+b") as file:
        file.seek(1024)
        file.write(b"\xa5" * (path.stat().st_size - 1024))
    with History(path) as second:
        assert second.problem is not None
        assert "moved aside" in second.problem.what
        assert second.sessions() == ()
    first.close()
