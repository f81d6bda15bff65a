"""The rows of the history about what was heard: their reasons, corrections and lookups.

Knows the tables ``heard`` and ``correction``, and what is in their JSON columns; does not
open the file or keep it safe. Only :mod:`tablevoice.history` uses it, within its errors.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from tablevoice.model import Heard, Match, Reason, Samples, Verdict


@dataclass(frozen=True, slots=True)
class PastUtterance:
    """Something that was heard once, as the history remembers it.

    ``utterance`` is its number (session, then count within it). ``text`` is what the grammar
    made of it and ``evidence`` its raw scores. ``corrected``: a person said that the
    verdict was wrong; ``said`` is then what was said in truth, ``""`` for nothing and
    ``None`` where they did not know. ``sound_kept``: its sound is still there.
    """

    utterance: str
    utc: str
    text: str
    meaning: str | None
    phrase: str
    certainty: float
    margin: float
    verdict: str
    start_s: float
    end_s: float
    level_dbfs: float | None
    during_speech: bool
    evidence: Mapping[str, float]
    probabilities: Mapping[str, float]
    second_opinion: Mapping[str, float]
    reason: Reason
    corrected: bool
    said: str | None
    sound_kept: bool


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """Sound to learn from: ``samples`` at the listening rate, ``phrase`` empty for nothing."""

    utterance: str
    samples: Samples
    phrase: str


def fields_of(
    heard: Heard, found: Match, verdict: Verdict, utterance: str, reason: Reason
) -> dict[str, object]:
    """The columns of one utterance, but for its place, time and sound."""
    return {
        "text": heard.hypothesis.text,
        "meaning": found.meaning,
        "certainty": found.score,
        "margin": found.margin,
        "verdict": verdict.value,
        "start_s": heard.start_s,
        "end_s": heard.end_s,
        "level_dbfs": heard.level_dbfs if math.isfinite(heard.level_dbfs) else None,
        "during_speech": int(heard.during_speech),
        "evidence": json.dumps(dict(heard.hypothesis.evidence)),
        "utterance": utterance or None,
        "phrase": found.phrase,
        "probabilities": json.dumps(dict(heard.probabilities), ensure_ascii=False),
        "second_opinion": json.dumps(dict(heard.second_opinion), ensure_ascii=False),
        "reason": json.dumps(
            {one.name: _plain(getattr(reason, one.name)) for one in fields(Reason)},
            ensure_ascii=False,
        ),
    }


def find(db: sqlite3.Connection, utterance: str) -> PastUtterance | None:
    """The utterance of that number."""
    row = db.execute(f"{_SELECT} WHERE heard.utterance = ?", (utterance,)).fetchone()
    return None if row is None else _past(row)


def last(db: sqlite3.Connection, how_many: int) -> tuple[PastUtterance, ...]:
    """The last utterances that have a number, oldest first."""
    rows = db.execute(
        f"{_SELECT} WHERE heard.utterance IS NOT NULL ORDER BY heard.id DESC LIMIT ?",
        (how_many,),
    ).fetchall()
    return tuple(_past(row) for row in reversed(rows))


def correct(db: sqlite3.Connection, utterance: str, said: str | None, utc: str) -> None:
    """Note what was said in truth; a later correction replaces an earlier one."""
    db.execute(
        "INSERT OR REPLACE INTO correction (heard, utc, said)"
        " SELECT id, ?, ? FROM heard WHERE utterance = ?",
        (utc, said, utterance),
    )


def why_not_learnt(past: PastUtterance) -> str:
    """Why the next tuning cannot learn from a correction; empty where it can."""
    if past.said is None:
        return "It was not told what was said: the verdict is counted as wrong, no more."
    if not past.sound_kept:
        return "Its sound was not kept (history.keep_audio_days): it is counted, no more."
    return ""


def corrections(db: sqlite3.Connection) -> int:
    """How many verdicts were marked wrong, with sound or without."""
    (count,) = db.execute("SELECT count(*) FROM correction").fetchone()
    return int(count)


def corrected_files(db: sqlite3.Connection, oldest_utc: str) -> list[tuple[str, str, str]]:
    """Utterance, sound file and phrase of each correction that can be learnt from."""
    rows = db.execute(
        "SELECT heard.utterance, heard.audio_file, correction.said FROM correction"
        " JOIN heard ON heard.id = correction.heard"
        " WHERE heard.audio_file IS NOT NULL AND heard.utc > ? AND correction.said IS NOT NULL"
        " ORDER BY heard.id",
        (oldest_utc,),
    ).fetchall()
    return [(utterance, file, said) for utterance, file, said in rows]


_COLUMNS = (
    "utterance", "utc", "text", "meaning", "phrase", "certainty", "margin", "verdict", "start_s",
    "end_s", "level_dbfs", "during_speech", "evidence", "probabilities", "second_opinion",
    "reason",
)  # fmt: skip
_SELECT = (
    f"SELECT {', '.join(f'heard.{name}' for name in _COLUMNS)}, correction.heard IS NOT NULL,"
    " correction.said, heard.audio_file IS NOT NULL"
    " FROM heard LEFT JOIN correction ON correction.heard = heard.id"
)


def _past(row: tuple[Any, ...]) -> PastUtterance:
    *columns, corrected, said, sound_kept = row
    found = dict(zip(_COLUMNS, columns, strict=True))
    for name in ("evidence", "probabilities", "second_opinion"):
        found[name] = json.loads(found[name] or "{}")
    found["reason"] = _reason(json.loads(found["reason"] or "{}"))
    found["during_speech"] = bool(found["during_speech"])
    found["phrase"] = found["phrase"] or ""
    found["margin"] = found["margin"] or 0.0
    return PastUtterance(
        **found, corrected=bool(corrected), said=said, sound_kept=bool(sound_kept)
    )


def _reason(found: dict[str, Any]) -> Reason:
    # A later program may write more than this one knows.
    known = {one.name for one in fields(Reason)}
    kept = {"text": "", **{name: value for name, value in found.items() if name in known}}
    kept["possible"] = tuple(kept.get("possible", ()))
    return Reason(**kept)


def _plain(value: object) -> object:
    return dict(value) if isinstance(value, Mapping) else value


def as_plain(past: PastUtterance) -> dict[str, Any]:
    """Everything known of an utterance as plain values, for JSON."""
    return asdict(past)
