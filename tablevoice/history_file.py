"""The history's file on the disk: its schema, how it is opened, how damage shows.

Knows SQLite and versions of the schema; does not know what the rows are for. Only
:mod:`tablevoice.history` uses it.
"""

from __future__ import annotations

import sqlite3
from datetime import datetime, timezone
from pathlib import Path

from tablevoice.errors import StoreUnwritable

APPLICATION_ID = 0x7461_6276  # "tabv"
"""Marks the file as ours (SQLite ``application_id``), so that no other is written to."""

BUSY_S = 5.0
"""How long to wait for another program that has the file locked."""

_FIRST_SCHEMA = """
CREATE TABLE session (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    table_name TEXT NOT NULL,
    program_version TEXT NOT NULL,
    started_utc TEXT NOT NULL,
    ended_utc TEXT,
    how_ended TEXT
);
CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_s REAL NOT NULL,
    utc TEXT NOT NULL,
    event_id TEXT NOT NULL,
    event TEXT NOT NULL,
    slots TEXT NOT NULL
);
CREATE INDEX event_session ON event (session, at_s);
CREATE TABLE said (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_s REAL NOT NULL,
    utc TEXT NOT NULL,
    utterance_id TEXT NOT NULL,
    event_id TEXT NOT NULL,
    event TEXT NOT NULL,
    line_key TEXT NOT NULL,
    voice TEXT NOT NULL,
    text TEXT NOT NULL,
    outcome TEXT NOT NULL,
    start_s REAL,
    end_s REAL
);
CREATE INDEX said_session ON said (session, at_s);
CREATE TABLE heard (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_s REAL NOT NULL,
    utc TEXT NOT NULL,
    text TEXT NOT NULL,
    meaning TEXT,
    certainty REAL NOT NULL,
    margin REAL,
    verdict TEXT NOT NULL,
    start_s REAL NOT NULL,
    end_s REAL NOT NULL,
    level_dbfs REAL,
    during_speech INTEGER NOT NULL,
    evidence TEXT NOT NULL,
    audio_file TEXT
);
CREATE INDEX heard_session ON heard (session, at_s);
CREATE INDEX heard_audio ON heard (utc) WHERE audio_file IS NOT NULL;
CREATE TABLE decided (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_s REAL NOT NULL,
    utc TEXT NOT NULL,
    event_id TEXT NOT NULL,
    question TEXT NOT NULL,
    value TEXT,
    how TEXT NOT NULL,
    certainty REAL NOT NULL,
    tries INTEGER NOT NULL
);
CREATE INDEX decided_session ON decided (session, at_s);
CREATE TABLE hold (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_s REAL NOT NULL,
    utc TEXT NOT NULL,
    change TEXT NOT NULL,
    kind TEXT NOT NULL,
    phrase TEXT,
    certainty REAL,
    cleared_by TEXT
);
CREATE INDEX hold_session ON hold (session, at_s);
CREATE TABLE problem (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_s REAL NOT NULL,
    utc TEXT NOT NULL,
    what TEXT NOT NULL,
    place TEXT NOT NULL,
    advice TEXT NOT NULL
);
CREATE INDEX problem_session ON problem (session, at_s);
CREATE TABLE spent (
    id INTEGER PRIMARY KEY,
    event TEXT NOT NULL,
    voice TEXT NOT NULL,
    line_key TEXT NOT NULL,
    round INTEGER NOT NULL,
    voice_round INTEGER NOT NULL
);
CREATE UNIQUE INDEX spent_line ON spent (event, voice, line_key);
"""

SCHEMA_STEPS: tuple[str, ...] = (_FIRST_SCHEMA,)
"""Scripts that lead from each version to the next; a new one is put at the end, and
no step that ever shipped is changed. The file's version is how many were applied."""


def open_sound(path: Path, busy_s: float) -> sqlite3.Connection | None:
    """An open database, ``None`` when it is damaged. Raises SQLite's errors for the rest."""
    db = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
    try:
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application != APPLICATION_ID and tables:
            raise StoreUnwritable(
                "this file is a database of another program",
                where=str(path),
                do="Name another history file in the cell file.",
            )
        # Where a file system cannot do WAL, SQLite keeps its rollback journal, which is
        # as safe with synchronous=FULL, only slower.
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        if tables and _ended_badly(db) and not _sound(db):
            db.close()
            return None
    except sqlite3.DatabaseError as error:
        db.close()
        if any(sign in str(error) for sign in ("malformed", "not a database")):
            return None
        raise
    except BaseException:
        db.close()
        raise
    return db


def _ended_badly(db: sqlite3.Connection) -> bool:
    # Reading the whole file takes seconds after a year of sessions, so only when the
    # last session was cut short.
    row = db.execute("SELECT ended_utc FROM session ORDER BY id DESC LIMIT 1").fetchone()
    return row is not None and row[0] is None


def _sound(db: sqlite3.Connection) -> bool:
    (finding,) = db.execute("PRAGMA quick_check(1)").fetchone()
    return bool(finding == "ok")


def iso(moment: datetime) -> str:
    """UTC with milliseconds, always the same length, so that text order is time order."""
    if moment.tzinfo is None:
        raise ValueError("a moment without a time zone cannot be put into UTC")
    utc = moment.astimezone(timezone.utc).replace(tzinfo=None)
    return utc.isoformat(timespec="milliseconds") + "Z"


def what_to_do(reason: str) -> str:
    """Advice for what SQLite or the system says about the file."""
    for sign, advice in (
        ("locked", "Close the other program that has it open."),
        ("full", "Free some disk space; what was recorded before is safe."),
        ("readonly", "Make the file and its folder writable for this user."),
        ("malformed", "Start the table again: the damaged file is then moved aside."),
        ("not a database", "Start the table again: the damaged file is then moved aside."),
        ("disk I/O", "Check the disk; what was recorded before is safe."),
    ):
        if sign in reason:
            return advice
    return "Name a file in a folder that this user may write to."
