"""When lines were used, over restarts, clocks that jump and files of earlier versions."""

from __future__ import annotations

import math
from datetime import datetime, timedelta, timezone
from pathlib import Path

from tablevoice.history import History
from tablevoice.history_file import SCHEMA_STEPS
from tablevoice.model import Event, Spent

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=timezone.utc)


def test_a_later_session_sees_how_long_ago_a_line_was_used(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with History(path, utc_now=lambda: NOON) as history:
        history.remember_spent(Spent("turn", "Alder", "k1", 1, 1, use=7, session=3, at_s=12.5))
    with History(path, utc_now=lambda: NOON + timedelta(seconds=90)) as history:
        rows = history.spent()
        assert rows == (Spent("turn", "Alder", "k1", 1, 1, use=7, session=3, at_s=-90.0),)
        history.keep_only_spent(rows)
    with History(path, utc_now=lambda: NOON + timedelta(seconds=100)) as history:
        assert [row.at_s for row in history.spent()] == [-100.0]


def test_a_clock_that_was_put_back_makes_no_line_wait_for_the_future(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with History(path, utc_now=lambda: NOON) as history:
        history.remember_spent(Spent("turn", "Alder", "k1", 1))
    with History(path, utc_now=lambda: NOON - timedelta(days=400)) as history:
        assert [row.at_s for row in history.spent()] == [0.0]


def test_a_history_of_an_earlier_version_keeps_its_rounds(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with History(path, schema_steps=SCHEMA_STEPS[:2]) as history:
        history._db.execute(
            "INSERT INTO spent (event, voice, line_key, round, voice_round)"
            " VALUES ('turn', 'Alder', 'k1', 4, 2)"
        )
    for _ in range(2):
        with History(path) as history:
            (row,) = history.spent()
            assert row == Spent("turn", "Alder", "k1", 4, 2, 0, 0, -math.inf)
            history.keep_only_spent([row])


def test_what_was_kept_quiet_is_in_the_history_with_its_rule(tmp_path: Path) -> None:
    with History(tmp_path / "history.sqlite") as history:
        session = history.begin_session("table", "0")
        history.record_withheld(4.0, Event("e1", "turn"), "quiet hours from 20:00 to 07:00")
        (entry,) = history.entries(session, ("said",))
    assert entry.fields["outcome"] == "withheld"
    assert entry.fields["event"] == "turn"
    assert entry.fields["note"] == "quiet hours from 20:00 to 07:00"
