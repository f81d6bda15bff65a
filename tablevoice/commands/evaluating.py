"""Measures a cell with recordings and tells what was found: a table here, a report in a folder.

Reads the options' texts; the measuring is the instrument's. Called by ``tablevoice evaluate``.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from tablevoice.cell import Cell
from tablevoice.errors import TablevoiceError
from tablevoice.evaluation.instrument import SETUPS, Evaluation, Wish, evaluate
from tablevoice.evaluation.page import write_page
from tablevoice.evaluation.report_folder import write_results
from tablevoice.evaluation.results import Group, SetupResults
from tablevoice.evaluation.running import Progress
from tablevoice.evaluation.wording_of_figures import hourly_text, percent, short
from tablevoice.listening.second_opinion import Opinions
from tablevoice.nearest import advice

CLEAN = "clean"


def read_snrs(text: str) -> tuple[float | None, ...]:
    """``"20,10,clean"``; ``clean`` is the recordings as they are. Raises TablevoiceError."""
    found: list[float | None] = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        if part.casefold() == CLEAN:
            found.append(None)
            continue
        try:
            found.append(float(part.casefold().removesuffix("db").strip()))
        except ValueError as error:
            raise TablevoiceError(
                f"{part!r} is no ratio.", where="--snr",
                do="Write dB with commas, as in 20,10,5,0; `clean` for the recordings as they are.",
            ) from error  # fmt: skip
    return tuple(dict.fromkeys(found))


def read_setups(text: str) -> tuple[Opinions, ...]:
    """``"grammar,both"``. Raises TablevoiceError."""
    found = tuple(dict.fromkeys(filter(None, (part.strip() for part in text.split(",")))))
    for name in found:
        if name not in SETUPS:
            raise TablevoiceError(
                f"there is no set-up {name!r}.", where="--compare", do=advice(name, SETUPS)
            )
    if not found:
        raise TablevoiceError(
            "no set-up was named.", where="--compare", do=f"Use some of: {', '.join(SETUPS)}."
        )
    return cast(tuple[Opinions, ...], found)


def measure(
    cell: Cell, wish: Wish, progress: Progress | None = None
) -> tuple[Evaluation, tuple[Path, ...]]:
    """Measure, and write the report. Raises what the instrument raises."""
    evaluation = evaluate(cell, wish, progress)
    return evaluation, (write_page(evaluation), *write_results(evaluation))


def show(evaluation: Evaluation, console: Console) -> None:
    """The figures as tables; intervals are 95 %."""
    for one in evaluation.setups:
        for title, groups in (
            ("by condition", (*one.by_condition, one.overall)),
            ("by family", one.by_family),
            ("by speaker, the worst first", one.by_speaker),
        ):
            if len(groups) > 1 and any(group.words.right.of for group in groups):
                console.print(_words_table(f"{one.setup}: words, {title}", groups))
        outside = [group for group in (*one.by_condition, one.overall) if _has_outside(group)]
        if outside:
            console.print(_outside_table(f"{one.setup}: nothing said to the table", outside))
        console.print(_latency_and_cost(one), markup=False)
        console.print()


def _words_table(title: str, groups: Sequence[Group]) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    for name in ("n", "right", "wrong", "confirm", "again", "missed", "p95 ms"):
        table.add_column(name, justify="right", no_wrap=True)
    for group in groups:
        words = group.words
        if words.right.of:
            late = words.latency.p95_ms
            table.add_row(
                f"{group.name or '(none)'}{' ← worst' if group.worst else ''}",
                str(words.right.of), percent(words.right), percent(words.wrong),
                *(short(share) for share in (words.confirmed, words.asked_again, words.missed)),
                "" if late is None else f"{late:.0f}",
            )  # fmt: skip
    return table


def _outside_table(title: str, groups: Sequence[Group]) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    for name in ("clips", "acted on", "bothered", "hours", "acts an hour"):
        table.add_column(name, justify="right", no_wrap=True)
    for group in groups:
        outside = group.outside
        rate = outside.acts_an_hour
        table.add_row(
            group.name or "(none)", str(outside.quiet.of or ""), percent(outside.false_act),
            percent(outside.bothered), f"{rate.hours:.2f}" if rate.hours else "", hourly_text(rate),
        )  # fmt: skip
    return table


def _has_outside(group: Group) -> bool:
    return bool(group.outside.quiet.of or group.outside.acts_an_hour.hours)


def _latency_and_cost(one: SetupResults) -> str:
    parts = []
    for what, latency in (("verdict after a word's end", one.overall.words.latency),
                          ("after a hold word's", one.overall.words.hold_latency)):  # fmt: skip
        if latency.count and latency.p50_ms is not None and latency.p95_ms is not None:
            parts.append(f"{what}: p50 {latency.p50_ms:.0f} ms, p95 {latency.p95_ms:.0f} ms")
    if one.cost.times_real_time is not None:
        parts.append(f"{one.cost.times_real_time:.3f} × real time on one core")
    if one.cost.peak_resident_mb is not None:
        parts.append(f"peak {one.cost.peak_resident_mb:.0f} MB")
    return f"{one.setup}: {'; '.join(parts)}."
