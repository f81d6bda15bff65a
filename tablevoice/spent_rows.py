"""The history's rows of lines that were used, which keep a line from coming back too soon.

Knows SQL and that only the newest row of a line and voice matters; what the rows mean is the
chooser's. Only :mod:`tablevoice.history` uses it, within its own transactions.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable
from datetime import datetime, timedelta

from tablevoice.history_file import iso
from tablevoice.model import Spent

_COLUMNS = "event, voice, line_key, round, voice_round, use_number, session, utc"


def remember(db: sqlite3.Connection, spent: Spent, now: datetime) -> None:
    """Write a row, in place of an earlier one of the same line and voice."""
    db.execute(
        f"INSERT OR REPLACE INTO spent (id, {_COLUMNS})"
        " VALUES ((SELECT coalesce(max(id), 0) + 1 FROM spent), ?, ?, ?, ?, ?, ?, ?, ?)",
        _values(spent, iso(now)),
    )


def keep_only(db: sqlite3.Connection, rows: Iterable[Spent], now: datetime) -> None:
    """Forget all rows but these, whose ``at_s`` is seen from ``now``."""
    kept = [_values(row, _moment(row, now)) for row in rows]
    db.execute("DELETE FROM spent")
    db.executemany(f"INSERT INTO spent ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", kept)


def read(db: sqlite3.Connection, now: datetime) -> tuple[Spent, ...]:
    """All rows, oldest first; ``at_s`` is how long before ``now``, below 0.

    A clock that was put back leaves rows from the future: they count as of now, so that a
    kind of lines rests for as long as it should and no longer.
    """
    rows = db.execute(f"SELECT {_COLUMNS} FROM spent ORDER BY id").fetchall()
    return tuple(
        Spent(event, voice, key, round_, voice_round, use, session, _seconds(utc, now))
        for event, voice, key, round_, voice_round, use, session, utc in rows
    )


def _values(spent: Spent, utc: str) -> tuple[str | int, ...]:
    return (spent.event, spent.voice, spent.line_key, spent.round, spent.voice_round, spent.use,
            spent.session, utc)  # fmt: skip


def _moment(row: Spent, now: datetime) -> str:
    return "" if math.isinf(row.at_s) else iso(now + timedelta(seconds=row.at_s))


def _seconds(utc: str, now: datetime) -> float:
    if not utc:
        return -math.inf  # written by a version that kept no times: long ago
    return min(0.0, (datetime.fromisoformat(utc.replace("Z", "+00:00")) - now).total_seconds())
