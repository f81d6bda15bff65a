"""The history's rows of events that may be sent again: bounded, and a day long."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

from tablevoice import taken_rows
from tablevoice.history import History
from tablevoice.history_file import SCHEMA_STEPS
from tablevoice.model import Event, Taken

START = datetime(2031, 4, 5, 16, 20, tzinfo=timezone.utc)


def test_an_event_is_read_back_as_it_was_and_over_when_it_is_over(tmp_path: Path) -> None:
    event = Event("mqtt/1", "lit", {"arm": "Alder", "lights": 3})
    with History(tmp_path / "h.sqlite") as history:
        history.take_down(Taken(event))
        assert history.taken() == (Taken(event),)
        history.take_down(Taken(event, "{}"))
        assert history.taken() == (Taken(event, "{}"),)
        history.take_down(Taken(event, "{}", refused=True))
        assert history.taken() == ()


def test_rows_are_bounded_in_number_and_in_age(tmp_path: Path) -> None:
    now = [START]
    with History(tmp_path / "h.sqlite", utc_now=lambda: now[0]) as history:
        with history.together():
            for number in range(taken_rows.MOST_KEPT + 5):
                history.take_down(Taken(Event(f"mqtt/{number}", "lit"), "{}"))
        kept = history.taken()
        assert len(kept) == taken_rows.MOST_KEPT
        assert kept[0].event.id == "mqtt/5"
        now[0] += timedelta(hours=23)
        history.take_down(Taken(Event("mqtt/new", "lit")))
        now[0] += timedelta(hours=2)
        assert [taken.event.id for taken in history.taken()] == ["mqtt/new"]


def test_a_history_of_an_earlier_version_is_brought_along(tmp_path: Path) -> None:
    path = tmp_path / "h.sqlite"
    with History(path, schema_steps=SCHEMA_STEPS[:3]) as history:
        history.begin_session("small", "1")
    with History(path) as history:
        assert history.taken() == ()
        assert len(history.sessions()) == 1
