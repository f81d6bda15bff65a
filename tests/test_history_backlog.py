"""Rows that the history does not take wait for it, on real files under real locks."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from tablevoice.errors import Problem, StoreUnwritable
from tablevoice.history import History
from tablevoice.history_backlog import HistoryBacklog
from tablevoice.model import Event, Spent

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=timezone.utc)


class Desk:
    """A history, another program that can lock it, and a clock."""

    def __init__(self, folder: Path) -> None:
        self.now = NOON
        self.told: list[Problem] = []
        self.history = History(folder / "history.sqlite", utc_now=lambda: self.now)
        self.session = self.history.begin_session("table", "0")
        self.backlog = HistoryBacklog(self.history, self.told.append, most_waiting=5)
        self.other = sqlite3.connect(folder / "history.sqlite", isolation_level=None)

    def event(self, number: int) -> None:
        at_s = float(number)
        self.backlog.add(lambda history: history.record_event(at_s, Event(f"e{at_s:.0f}", "lit")))

    def events(self) -> list[tuple[str, str]]:
        entries = self.history.entries(self.session, ("event",))
        return [(str(entry.fields["event_id"]), entry.utc) for entry in entries]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    opened = Desk(tmp_path)
    yield opened
    opened.other.close()
    opened.history.close()


def test_what_happened_under_a_lock_is_written_after_it_with_its_own_time(desk: Desk) -> None:
    desk.event(1)
    desk.other.execute("BEGIN EXCLUSIVE")
    began_s = time.monotonic()
    for number in (2, 3):
        desk.now += timedelta(minutes=1)
        desk.event(number)
    assert time.monotonic() - began_s < 3.0  # it does not wait for 5 s each time
    behind = desk.backlog.behind
    assert behind
    assert [problem.what for problem in desk.told] == [
        "the history cannot be kept: database is locked"
    ]
    assert "written down then" in desk.told[0].do
    desk.other.execute("COMMIT")
    desk.now += timedelta(hours=1)
    with desk.backlog.together():
        pass
    still_behind = desk.backlog.behind
    assert not still_behind
    assert desk.events() == [
        ("e1", "2031-05-04T12:00:00.000Z"),
        ("e2", "2031-05-04T12:01:00.000Z"),
        ("e3", "2031-05-04T12:02:00.000Z"),
    ]
    desk.other.execute("BEGIN EXCLUSIVE")
    desk.event(4)
    assert len(desk.told) == 2  # another time, told again
    desk.other.execute("COMMIT")


def test_used_lines_outlast_everything_else_and_what_is_lost_is_counted(desk: Desk) -> None:
    desk.other.execute("BEGIN EXCLUSIVE")
    desk.backlog.add(
        lambda history: history.remember_spent(Spent("lit", "Alder", "k", 1, 1)), needed=True
    )
    for number in range(8):
        desk.event(number)
    desk.other.execute("COMMIT")
    with desk.backlog.together():
        pass
    assert [event_id for event_id, _ in desk.events()] == ["e4", "e5", "e6", "e7"]
    assert [row.line_key for row in desk.history.spent()] == ["k"]
    assert desk.told[-1].what.startswith("4 rows of the history are lost")


def test_a_question_to_a_history_that_takes_nothing_is_refused(desk: Desk) -> None:
    desk.other.execute("BEGIN EXCLUSIVE")
    desk.event(1)
    with pytest.raises(StoreUnwritable, match="locked"):
        desk.backlog.now(lambda history: history.corrections())
    desk.other.execute("COMMIT")
    assert desk.backlog.now(lambda history: history.corrections()) == 0
    assert [event_id for event_id, _ in desk.events()] == ["e1"]


def test_closing_tries_once_more_and_owns_up_to_what_is_left(desk: Desk) -> None:
    desk.other.execute("BEGIN EXCLUSIVE")
    desk.history._busy_s = 0.05
    desk.event(1)
    desk.backlog.close()
    assert desk.told[-1].what.startswith("1 rows of the history are lost")
    desk.other.execute("COMMIT")
    desk.backlog.close()
    assert [event_id for event_id, _ in desk.events()] == ["e1"]
