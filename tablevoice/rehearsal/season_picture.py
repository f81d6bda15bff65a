"""A season as one picture: how soon lines come back, and what the talking goes to.

Draws, decides nothing. One row an event: its lines as dots at their shortest gap between
repeats, and bars for the middle of all gaps and for the time spent. Called by ``tablevoice
rehearse``; the file's ending chooses PNG or SVG.
"""

from __future__ import annotations

import textwrap
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tablevoice.errors import StoreUnwritable
from tablevoice.model import Phrasebook
from tablevoice.rehearsal.season import LineRecord, Season
from tablevoice.rehearsal.season_report import EventRow, event_rows, share_of_gaps

INK = "#22262b"
FAINT = "#e3e5e8"
LINE_COLOUR = "#35618f"
SOON_COLOUR = "#b3261e"
NEVER_COLOUR = "#9aa0a6"
TALK_COLOUR = "#5f6b2d"
MOST_EVENTS = 80
"""Rows that still can be read; of more events, those with the soonest repeats are drawn."""
DOTS_A_COLUMN = 7
MOST_DOTS = 150
"""Lines of one event that still can be told apart; of more, how they spread is drawn."""
SPREAD_BINS = 48


def draw_season(season: Season, book: Phrasebook, path: Path) -> None:
    """Draw the season into ``path``, the same bytes for the same season. Raises StoreUnwritable."""
    rows = _chosen(event_rows(season))
    height = max(3.2, 0.36 * len(rows) + 2.4)
    figure = Figure(figsize=(15.0, height), dpi=110)
    gaps, shares = figure.subplots(1, 2, sharey=True, width_ratios=(3.2, 1.0))
    figure.subplots_adjust(
        left=0.155, right=0.985, top=1.0 - 1.25 / height, bottom=0.75 / height, wspace=0.04
    )
    _draw_gaps(gaps, season, rows)
    _draw_shares(shares, season, rows)
    figure.text(0.012, 1.0 - 0.22 / height, f"{season.title}: {season.plan.sessions:,} sessions",
                fontsize=15, weight="bold", color=INK, va="top")  # fmt: skip
    figure.text(0.012, 1.0 - 0.58 / height, _summary(season, book), fontsize=9.5, color=INK,
                va="top", linespacing=1.35)  # fmt: skip
    try:
        # Without the date and with ids that do not change, two seasons can be compared as files.
        with mpl.rc_context({"svg.hashsalt": "season"}):
            figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)
    except OSError as error:
        raise StoreUnwritable(
            f"The picture cannot be written: {error.strerror}.", where=str(path),
            do="Choose a folder that can be written to.",
        ) from error  # fmt: skip


def _chosen(rows: Sequence[EventRow]) -> list[EventRow]:
    if len(rows) <= MOST_EVENTS:
        return list(rows)
    soonest = sorted(
        rows,
        key=lambda row: (
            row.soonest_sessions is None,
            row.soonest_sessions or 0,
            -row.repeats_within,
        ),
    )
    kept = {row.event for row in soonest[:MOST_EVENTS]}
    return [row for row in rows if row.event in kept]


def _draw_gaps(axis: Axes, season: Season, rows: Sequence[EventRow]) -> None:
    by_event: dict[str, list[LineRecord]] = defaultdict(list)
    for record in season.lines:
        by_event[record.event].append(record)
    longest = max((gap for record in season.lines for gap in record.gaps), default=1)
    once_at = (longest + 1) * 1.9
    for place, row in enumerate(rows):
        axis.axhline(place, color=FAINT, linewidth=0.6, zorder=0)
        found = by_event[row.event]
        middle = [share_of_gaps(found, share) for share in (0.05, 0.5, 0.95)]
        if middle[0] is not None and middle[1] is not None and middle[2] is not None:
            axis.plot([_x(middle[0]), _x(middle[2])], [place, place], color=LINE_COLOUR,
                      linewidth=5, alpha=0.18, solid_capstyle="round", zorder=1)  # fmt: skip
            axis.plot([_x(middle[1])] * 2, [place - 0.3, place + 0.3], color=LINE_COLOUR,
                      linewidth=2.2, zorder=2)  # fmt: skip
        _draw_dots(axis, place, found, once_at)
    axis.axvspan(0.4, 0.75, color=SOON_COLOUR, alpha=0.07, linewidth=0, zorder=0)
    axis.set_xscale("log")
    axis.set_xlim(0.4, once_at * 2.2)
    ticks = [gap for gap in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if gap < once_at / 1.4]
    axis.set_xticks(
        [0.55, *ticks, once_at], ["within\na session", *map(str, ticks), "once\nor never"]
    )
    axis.minorticks_off()
    axis.set_yticks(range(len(rows)), [f"{row.event}  ({row.expected:g})" for row in rows])
    axis.set_ylim(len(rows) - 0.4, -0.6)
    axis.annotate(
        "event (expected uses a session)",
        (0, 1),
        (-4, 4),
        "axes fraction",
        "offset points",
        fontsize=8.5,
        color=INK,
        ha="right",
        va="bottom",
    )
    axis.set_xlabel(
        "sessions until a line comes back:  dot = a line's soonest repeat,  "
        "stroke = the middle of all repeats,  band = nine in ten",
        fontsize=9,
    )
    _plain(axis)


def _draw_dots(axis: Axes, place: int, found: Sequence[LineRecord], once_at: float) -> None:
    """A line each, side by side where they fall on one another; of very many, their spread."""
    if len(found) > MOST_DOTS:
        _draw_spread(axis, place, found, once_at)
        return
    columns: dict[float, list[str]] = defaultdict(list)
    for record in found:
        soonest = record.shortest_sessions
        at = once_at if soonest is None else _x(soonest)
        colour = (
            SOON_COLOUR if soonest == 0 else LINE_COLOUR if soonest is not None else NEVER_COLOUR
        )
        columns[at].append(colour if record.uses else "none")
    for at, colours in columns.items():
        colours.sort()
        for index, colour in enumerate(colours):
            column, above = divmod(index, DOTS_A_COLUMN)
            shown = min(len(colours) - column * DOTS_A_COLUMN, DOTS_A_COLUMN)
            y = place + (above - (shown - 1) / 2) * 0.11
            axis.plot([at * 1.034**column], [y], marker="o", markersize=3.1, zorder=3,
                      markerfacecolor=colour, markeredgewidth=0.7, linestyle="none",
                      markeredgecolor=NEVER_COLOUR if colour == "none" else colour)  # fmt: skip


def _draw_spread(axis: Axes, place: int, found: Sequence[LineRecord], once_at: float) -> None:
    """How many lines have their soonest repeat where, as a band of that height."""
    at = [once_at if record.shortest_sessions is None else _x(record.shortest_sessions)
          for record in found]  # fmt: skip
    edges = np.geomspace(0.5, once_at * 1.1, SPREAD_BINS + 1)
    counts, _ = np.histogram(at, edges)
    half = 0.36 * counts / max(int(counts.max()), 1)
    axis.fill_between(
        edges,
        place - np.append(half, half[-1]),
        place + np.append(half, half[-1]),
        step="post",
        color=LINE_COLOUR,
        alpha=0.6,
        linewidth=0,
        zorder=3,
    )


def _draw_shares(axis: Axes, season: Season, rows: Sequence[EventRow]) -> None:
    a_session = [row.talking_s / season.plan.sessions for row in rows]
    axis.barh(range(len(rows)), a_session, height=0.55, color=TALK_COLOUR, alpha=0.75)
    most = max(a_session, default=1.0) or 1.0
    for place, (row, seconds) in enumerate(zip(rows, a_session, strict=True)):
        never = f", {row.never} never said" if row.never else ""
        axis.text(seconds + most * 0.02, place, f"{seconds:.0f} s, {row.lines:,} lines{never}",
                  fontsize=8, va="center", color=SOON_COLOUR if row.never else INK)  # fmt: skip
    axis.set_xlim(0.0, most * 2.3)
    axis.set_xlabel("seconds of talking a session", fontsize=9)
    _plain(axis)


def _plain(axis: Axes) -> None:
    axis.tick_params(length=0, labelsize=8.5, colors=INK)
    for side in ("top", "right", "left", "bottom"):
        axis.spines[side].set_visible(False)


def _summary(season: Season, book: Phrasebook) -> str:
    never = sum(not record.uses for record in season.lines)
    within = sum(record.gaps[0] for record in season.lines)
    known = (
        "lengths measured"
        if season.measured > 0.999
        else "lengths estimated"
        if season.measured < 0.001
        else f"{season.measured:.0%} of it measured"
    )
    parts = [
        f"talking {season.talking:.0%} of the time ({known})",
        f"{len(season.lines):,} lines, {never:,} never said",
        f"{within:,} repeats within one session",
        *(
            f"{kind} held back {season.held_back[kind]:,} times"
            for kind in book.kinds
            if season.held_back[kind]
        ),
        *(f"{rule}: gave way {times:,} times" for rule, times in season.gave_way.most_common(2)),
    ]
    if season.assumed:
        parts.append(f"expected uses not given for {len(season.assumed)} events")
    return "\n".join(textwrap.wrap("   ·   ".join(parts), 185)[:2])


def _x(gap: int) -> float:
    """Where a gap stands on the scale: what is within one session has a place of its own."""
    return 0.55 if gap == 0 else float(gap)
