"""Rehearses a season: plays it, writes its files, and shows the table a person reads first.

Joins the simulation to the cell file's expected uses and to the prepared lines. Called by
``tablevoice rehearse``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from tablevoice.assembly import Assembly, Voices
from tablevoice.cell import Cell, ReadCell
from tablevoice.errors import EngineFailed, TablevoiceError
from tablevoice.model import Phrasebook
from tablevoice.rehearsal.lengths import Lengths
from tablevoice.rehearsal.season import Plan, Season, simulate
from tablevoice.rehearsal.season_picture import draw_season
from tablevoice.rehearsal.season_report import EventRow, event_rows, write

PICTURES = (".png", ".svg")
MOST_SHOWN = 8
"""Lines listed one by one below the table; all of them are in the files."""


CAPTION = """expected: uses a session. never: lines never said. soonest, middle:
sessions until a line comes back (0: the same one). within: repeats within
one session. talk s: seconds of talking a session."""


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A season and the files that tell of it."""

    season: Season
    files: tuple[Path, ...]


def expected_uses(read: ReadCell) -> dict[str, float]:
    """How often each event is expected in a session: the cell's word, else the phrasebook's."""
    here = read.cell.house_style.expected_uses
    written = {name: found.entry.uses for name, found in read.read.draft.events.items()}
    return {name: uses for name, uses in {**written, **here}.items() if uses is not None}


def rehearse_season(
    read: ReadCell, plan: Plan, out: Path, picture: str, progress: Callable[[int, int], None]
) -> Rehearsed:
    """Play ``plan`` and write its files into ``out``. Raises TablevoiceError."""
    if picture not in PICTURES:
        raise TablevoiceError(
            f"There are no pictures of the kind {picture!r}.",
            do=f"Use one of: {', '.join(PICTURES)}.",
        )
    if plan.session_s <= 0 or plan.pause_s < 0:
        raise TablevoiceError("A session lasts longer than no time.", do="Give more minutes.")
    cell = read.cell
    with Assembly(cell, remember=False) as parts:
        lengths = Lengths(cell.voices, _prepared(parts.voices))
        season = simulate(cell.phrasebook, plan, expected_uses(read), parts.default_voice,
                          lengths, progress)  # fmt: skip
    files = write(season, cell.phrasebook, out)
    drawn = out / f"season{picture}"
    draw_season(season, cell.phrasebook, drawn)
    return Rehearsed(season, (*files, drawn))


def _prepared(voices: Voices) -> Callable[[str, str], float | None]:
    """Lengths of prepared lines; without an engine none is known, and all are estimated."""
    gone = False

    def prepared_s(text: str, voice: str) -> float | None:
        nonlocal gone
        if gone:
            return None
        try:
            return voices.prepared_s(text, voice)
        except EngineFailed:
            gone = True
            return None

    return prepared_s


def show_season(season: Season, cell: Cell, console: Console) -> None:
    """The season as a table and a few sentences."""
    table = Table(
        title=f"{season.title}: {season.plan.sessions:,} sessions", title_justify="left",
        box=box.SIMPLE_HEAD, caption=CAPTION, caption_justify="left", pad_edge=False,
        padding=(0, 1, 0, 0),
    )  # fmt: skip
    table.add_column("event", overflow="fold", min_width=20)
    for name in ("expected", "lines", "never", "soonest", "middle", "within", "talk s"):
        table.add_column(name, justify="right", no_wrap=True)
    for row in event_rows(season):
        table.add_row(*_cells(row, season))
    console.print(table)
    for sentence in sentences(season, cell.phrasebook):
        console.print(escape(sentence), soft_wrap=True)


def sentences(season: Season, book: Phrasebook) -> list[str]:
    """What is worth saying of a season beside its table."""
    known = f"{season.measured:.0%} of it measured from prepared lines, the rest estimated"
    if season.measured > 0.999:
        known = "measured from prepared lines"
    elif season.measured < 0.001:
        known = "an estimate: no line is prepared; tablevoice check CELL.YAML prepares them"
    told = [f"Talking: {season.talking:.1%} of the time ({known})."]
    if season.assumed:
        told.append(
            f"Expected uses are not given for {len(season.assumed)} events, so 1 a session "
            "was taken, of warnings 1 in ten sessions: "
            f"{_listed(season.assumed)}. Add 'uses:' to them."
        )
    for kind, limit in book.kinds.items():
        if season.held_back[kind]:
            told.append(
                f"Kind {kind}: its cooldown held a line back {season.held_back[kind]:,} times."
            )
        elif limit.every_s or limit.every_uses > 1 or limit.every_sessions > 1:
            told.append(f"Kind {kind}: its cooldown was never touched.")
    told += _counted("Gave way", season.gave_way)
    told += _counted("Kept quiet", season.withheld)
    never = [record for record in season.lines if not record.uses]
    if never:
        shown = _listed([f"{record.event}: {record.line.text}" for record in never], "; ")
        told.append(f"Never said: {len(never)} of {len(season.lines)} lines: {shown}")
    return told


def _cells(row: EventRow, season: Season) -> list[str]:
    return [
        escape(row.event), f"{row.expected:g}", str(row.lines),
        _red(row.never), _gap(row.soonest_sessions), _gap(row.median_sessions),
        _red(row.repeats_within), f"{row.talking_s / season.plan.sessions:.1f}",
    ]  # fmt: skip


def _gap(sessions: int | None) -> str:
    return "-" if sessions is None else f"{sessions}" if sessions else "[red]0[/red]"


def _red(count: int) -> str:
    return f"[red]{count:,}[/red]" if count else "-"


def _counted(what: str, counts: Mapping[str, int]) -> list[str]:
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return [f"{what} {times:,} times: {rule}." for rule, times in ordered[:MOST_SHOWN]]


def _listed(names: list[str] | tuple[str, ...], joint: str = ", ") -> str:
    more = f"{joint}and {len(names) - MOST_SHOWN} more" if len(names) > MOST_SHOWN else ""
    return joint.join(names[:MOST_SHOWN]) + more
