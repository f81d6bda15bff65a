"""The history's file on the disk: its schema, how it is opened, how damage shows.

Knows SQLite and versions of the schema; does not know what the rows are for. Only
:mod:`tablevoice.history` uses it.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timezone
from pathlib import Path

from tablevoice.errors import Problem, StoreUnwritable

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

_REASONS_AND_CORRECTIONS = """
ALTER TABLE heard ADD COLUMN utterance TEXT;
ALTER TABLE heard ADD COLUMN phrase TEXT;
ALTER TABLE heard ADD COLUMN probabilities TEXT;
ALTER TABLE heard ADD COLUMN second_opinion TEXT;
ALTER TABLE heard ADD COLUMN reason TEXT;
CREATE UNIQUE INDEX heard_utterance ON heard (utterance) WHERE utterance IS NOT NULL;
CREATE TABLE correction (
    heard INTEGER PRIMARY KEY REFERENCES heard (id),
    utc TEXT NOT NULL,
    said TEXT
)
"""
"""``correction.said``: the phrase that was said, empty for nothing, NULL for not known."""

_TASTE = """
ALTER TABLE said ADD COLUMN note TEXT NOT NULL DEFAULT '';
ALTER TABLE spent ADD COLUMN use_number INTEGER NOT NULL DEFAULT 0;
ALTER TABLE spent ADD COLUMN session INTEGER NOT NULL DEFAULT 0;
ALTER TABLE spent ADD COLUMN utc TEXT NOT NULL DEFAULT ''
"""
"""``said.note``: which rule of taste gave way, or why nothing was said (``withheld``)."""

_TAKEN = """
CREATE TABLE taken (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    event_id TEXT NOT NULL UNIQUE,
    utc TEXT NOT NULL,
    event TEXT NOT NULL,
    slots TEXT NOT NULL,
    outcome TEXT NOT NULL
)
"""
"""``taken.outcome``: the message that answered the event, empty while it is open."""

SCHEMA_STEPS: tuple[str, ...] = (_FIRST_SCHEMA, _REASONS_AND_CORRECTIONS, _TASTE, _TAKEN)
"""Scripts that lead from each version to the next; a new one is put at the end, and
no step that ever shipped is changed. The file's version is how many were applied."""


def keep_from_others(path: Path, *beside: Path) -> None:
    """Make a history its owner's alone, and leave others no way into one that is there.

    What people said stands in it. A group may read it where somebody let it. SQLite gives its
    other files the same rights. What belongs to another user stays as it is.
    """
    if sys.platform == "win32":  # its folders of a user are closed to others anyway
        return
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    except OSError:
        return  # SQLite is about to say why, with what to do
    for one in (path, *beside):
        if one.exists() and one.stat().st_uid == os.geteuid():
            mode = stat.S_IMODE(one.stat().st_mode)
            if mode & stat.S_IRWXO:
                one.chmod(mode & ~stat.S_IRWXO)


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
        _into_the_file(db)
    except sqlite3.DatabaseError as error:
        db.close()
        if any(sign in str(error) for sign in ("malformed", "not a database")):
            return None
        raise
    except BaseException:
        db.close()
        raise
    return db


def upgrade(db: sqlite3.Connection, path: Path, steps: tuple[str, ...]) -> None:
    """Bring the schema of an open database to that of ``steps``, all of it or nothing.

    Raises :class:`StoreUnwritable` for a file that a newer program wrote.
    """
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if version > len(steps):
        raise StoreUnwritable(
            f"the history has schema version {version}, this program knows {len(steps)}",
            where=str(path),
            do="Use the newer program that wrote it, or name another history file.",
        )
    if version == len(steps):
        return
    with transaction(db):
        # Another program may have done it while this one waited for the lock.
        (version,) = db.execute("PRAGMA user_version").fetchone()
        for step in steps[version:]:
            for statement in step.split(";"):
                db.execute(statement)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {max(version, len(steps))}")
    _into_the_file(db)


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All that is written within, or nothing of it."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def move_aside(path: Path, stamp: str) -> Path:
    """Rename a damaged file, with all that SQLite keeps beside it; gives its new name."""
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    for ending in ("-wal", "-shm", ""):
        beside = path.with_name(path.name + ending)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + ending))
    return aside


def start_anew(path: Path, now: datetime, busy_s: float) -> tuple[sqlite3.Connection, Problem]:
    """Move a damaged history aside, and begin another; what to tell of it.

    Raises :class:`StoreUnwritable`.
    """
    stamp = now.astimezone(timezone.utc).strftime("%Y%m%dT%H%M%SZ")
    try:
        aside = move_aside(path, stamp)
    except OSError as error:
        raise unwritable(path, f"it is damaged and cannot be moved: {error}") from error
    fresh = open_sound(path, busy_s)
    if fresh is None:
        raise unwritable(path, "a new file reads back damaged")
    return fresh, Problem(
        "the history was damaged; it was moved aside and a new one begun",
        str(aside),
        "Keep the file: SQLite's .recover command may bring back what it holds.",
    )


def unwritable(path: Path, reason: str) -> StoreUnwritable:
    """The one error for whatever SQLite or the system says about the file."""
    return StoreUnwritable(
        f"the history cannot be kept: {reason}", where=str(path), do=what_to_do(reason)
    )


def _into_the_file(db: sqlite3.Connection) -> None:
    """Bring what SQLite's log holds into the file itself, as far as nobody reads there now.

    A log that is spoilt is passed over without a word: what stands in the file is not.
    """
    db.execute("PRAGMA wal_checkpoint(PASSIVE)")


def _ended_badly(db: sqlite3.Connection) -> bool:
    # Reading the whole file takes seconds after a year of sessions, so only when the
    # last session was cut short.
    row = db.execute("SELECT ended_utc FROM session ORDER BY id DESC LIMIT 1").fetchone()
    return row is not None and row[0] is None


def _sound(db: sqlite3.Connection) -> bool:
    (finding,) = db.execute("PRAGMA quick_check(1)").fetchone()
    return bool(finding == "ok")


def utc_now() -> datetime:
    """The computer's time, in UTC."""
    return datetime.now(timezone.utc)


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
