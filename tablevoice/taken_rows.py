"""The history's rows of events whose senders may send them again, after a restart too.

Knows SQL; which events these are and what it means is the delivery rules' (links/delivery.py).
Only :mod:`tablevoice.history` uses it, within its own transactions.
"""

from __future__ import annotations

import json
import sqlite3
from datetime import datetime, timedelta

from tablevoice.history_file import iso
from tablevoice.model import Event, Taken

MOST_KEPT = 4096
KEPT_FOR = timedelta(hours=24)
"""No broker keeps an unanswered event for longer: see ``links.mqtt.session_expiry_s``."""


def write(db: sqlite3.Connection, taken: Taken, now: datetime) -> None:
    """Note an event that was taken or is over; one that was refused is forgotten."""
    event = taken.event
    if taken.refused:
        db.execute("DELETE FROM taken WHERE event_id = ?", (event.id,))
        return
    slots = json.dumps(dict(event.slots), ensure_ascii=False)
    db.execute(
        "INSERT INTO taken (event_id, utc, event, slots, outcome) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (event_id) DO UPDATE SET outcome = excluded.outcome",
        (event.id, iso(now), event.name, slots, taken.outcome),
    )
    db.execute("DELETE FROM taken WHERE id <= (SELECT max(id) FROM taken) - ?", (MOST_KEPT,))


def read(db: sqlite3.Connection, now: datetime) -> tuple[Taken, ...]:
    """All rows that still count, oldest first; those that do not are deleted."""
    db.execute("DELETE FROM taken WHERE utc <= ?", (iso(now - KEPT_FOR),))
    rows = db.execute("SELECT event_id, event, slots, outcome FROM taken ORDER BY id").fetchall()
    return tuple(
        Taken(Event(event_id, event, json.loads(slots)), outcome)
        for event_id, event, slots, outcome in rows
    )
