"""A season as files: every line with its numbers as CSV, everything as JSON.

Knows how to put a season into rows; decides nothing and draws nothing. Called by ``tablevoice
rehearse``.
"""

from __future__ import annotations

import csv
import io
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tablevoice.errors import StoreUnwritable
from tablevoice.model import Phrasebook
from tablevoice.rehearsal.season import LineRecord, Season, why_never

FORMAT = 1


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event over the season; ``repeats_within``: repeats of a line within one session.

    ``soonest_sessions`` is the shortest gap between two uses of any of its lines,
    ``median_sessions`` the middle one; ``None`` without a repeat.
    """

    event: str
    expected: float
    uses: int
    lines: int
    never: int
    repeats_within: int
    soonest_sessions: int | None
    median_sessions: int | None
    soonest_uses: int | None
    talking_s: float


def event_rows(season: Season) -> list[EventRow]:
    """The events in the phrasebook's order."""
    by_event: dict[str, list[LineRecord]] = defaultdict(list)
    for record in season.lines:
        by_event[record.event].append(record)
    return [
        EventRow(
            event=name,
            expected=season.expected[name],
            uses=season.events[name],
            lines=len(found),
            never=sum(not record.uses for record in found),
            repeats_within=sum(record.gaps[0] for record in found),
            soonest_sessions=_soonest([record.shortest_sessions for record in found]),
            median_sessions=share_of_gaps(found, 0.5),
            soonest_uses=_soonest([record.shortest_uses for record in found]),
            talking_s=sum(record.talking_s for record in found),
        )
        for name, found in by_event.items()
    ]


def share_of_gaps(records: Iterable[LineRecord], share: float) -> int | None:
    """So many sessions or fewer lie between ``share`` of all repeats; ``None`` without any."""
    gaps: Counter[int] = Counter()
    for record in records:
        gaps.update(record.gaps)
    so_far, wanted = 0, share * gaps.total()
    for gap in sorted(gaps):
        so_far += gaps[gap]
        if so_far >= wanted:
            return gap
    return None


def line_rows(season: Season) -> list[dict[str, Any]]:
    """Every line with its numbers; ``None`` where there is none."""
    return [
        {
            "event": record.event,
            "voice": record.line.voice,
            "text": record.line.text,
            "kind": record.line.kind,
            "key": record.line.key,
            "uses": record.uses,
            "first_session": record.first_session,
            "shortest_gap_sessions": record.shortest_sessions,
            "shortest_gap_uses": record.shortest_uses,
            "talking_s": round(record.talking_s, 3),
            "why_never": "" if record.uses else why_never(record, season),
        }
        for record in season.lines
    ]


def as_json(season: Season, book: Phrasebook) -> dict[str, Any]:
    """The whole season as plain values."""
    return {
        "format": FORMAT,
        "title": season.title,
        "plan": asdict(season.plan),
        "talking_share": round(season.talking, 6),
        "talking_share_measured": round(season.measured, 6),
        "uses_assumed_for": list(season.assumed),
        "kinds": {
            kind: {**asdict(limit), "held_back": season.held_back[kind]}
            for kind, limit in book.kinds.items()
        },
        "rules_that_gave_way": _counts(season.gave_way),
        "kept_quiet": _counts(season.withheld),
        "events": [
            {**asdict(row), "talking_s": round(row.talking_s, 3)} for row in event_rows(season)
        ],
        "lines": line_rows(season),
    }


def write(season: Season, book: Phrasebook, folder: Path) -> tuple[Path, ...]:
    """Write ``season.json`` and ``season.csv``. Raises StoreUnwritable."""
    rows = line_rows(season)
    table = io.StringIO()
    writer = csv.DictWriter(table, list(rows[0]) if rows else ["event"], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    whole = json.dumps(as_json(season, book), indent=2, ensure_ascii=False) + "\n"
    files = (folder / "season.json", folder / "season.csv")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        files[0].write_text(whole, encoding="utf-8", newline="\n")
        files[1].write_text(table.getvalue(), encoding="utf-8", newline="\n")
    except OSError as error:
        raise StoreUnwritable(
            f"The season cannot be written: {error.strerror}.", where=str(folder),
            do="Choose another folder with --out.",
        ) from error  # fmt: skip
    return files


def _counts(counted: Mapping[str, int]) -> dict[str, int]:
    return dict(sorted(counted.items(), key=lambda item: (-item[1], item[0])))


def _soonest(gaps: Sequence[int | None]) -> int | None:
    return min((gap for gap in gaps if gap is not None), default=None)
