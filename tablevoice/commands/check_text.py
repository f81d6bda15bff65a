"""The report of ``tablevoice check`` for a person at a terminal.

Shows; decides nothing. Results go to standard output, what keeps the table from opening to
standard error.
"""

from __future__ import annotations

from itertools import groupby

from rich.console import Console
from rich.markup import escape

from tablevoice.commands.checking import Report
from tablevoice.commands.clear_errors import show_problem
from tablevoice.phrasebook.desk.codes import Severity
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.desk.reading import Reading

MOST_NOTES = 60
"""Findings shown one by one; --format json has them all."""
MOST_NAMES = 6

_STYLES = {Severity.ERROR: "red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}


def show_report(report: Report, console: Console, cautions: str) -> None:
    """Everything that was found, what the desk says, and whether the table may open."""
    for found in report.found:
        console.print(f"  {found.part:<12} {found.text}", markup=False)
    for advice in report.advice:
        console.print(f"advice: {advice}", style="yellow", markup=False)
    for problem in report.missing:
        show_problem(problem)
    if report.reading is not None:
        _show_reading(report.reading, console)
    if report.whole:
        console.print(f"\n{cautions}", style="yellow")
        if report.may_open:
            console.print("This table may open.", style="bold green")
        else:
            console.print("This table may not open yet.", style="bold red")


def _show_reading(reading: Reading, console: Console) -> None:
    shown = reading.open_notes[:MOST_NOTES]
    if shown:
        console.print()
    for file, notes in groupby(shown, key=lambda note: note.place.file):
        console.print(escape(file), style="bold")
        for note in notes:
            _show_note(note, console)
    more = len(reading.open_notes) - len(shown)
    if more:
        console.print(f"  … and {more} more: --format json lists them all.")
    console.print()
    console.print(_summary(reading), style="bold", markup=False)
    for hint in _hints(reading):
        console.print(f"  {hint}", markup=False)


def _show_note(note: Note, console: Console) -> None:
    place = f"{note.place.line}:{note.place.column}"
    style = _STYLES[note.severity]
    console.print(
        f"  [dim]{place:>8}[/]  [{style}]{note.code}[/]  {escape(note.what)}\n"
        f"                  [dim]→ {escape(note.do)}[/]"
    )


def _summary(reading: Reading) -> str:
    read = f"{_count(reading.lines, 'line')} read"
    if not reading.open_notes:
        found = "nothing to say"
    else:
        found = ", ".join(
            _count(number, word) for severity, word in
            ((Severity.WARNING, "warning"), (Severity.NOTE, "note"))
            if (number := reading.count(severity))
        )  # fmt: skip
    accepted = len(reading.notes) - len(reading.open_notes)
    return f"{read}: {found}{f'; {accepted} accepted with a reason' if accepted else ''}."


def _hints(reading: Reading) -> list[str]:
    hints = []
    if reading.open_notes:
        code = reading.open_notes[0].code
        hints.append(
            "What is right as it is can be accepted beside the line or event, with the reason:"
            f" accept: {{{code}: why}}."
        )
    if reading.texts_unmeasured:
        hints.append(
            f"{_count(reading.texts_unmeasured, 'text')} not prepared, so not measured:"
            " add --render."
        )
    without = reading.events_without_uses
    if without:
        names = ", ".join(without[:MOST_NAMES]) + (", …" if len(without) > MOST_NAMES else "")
        hints.append(
            f"How soon lines come back is not known of {_count(len(without), 'event')}, for want"
            f" of 'uses:' (expected in a session): {names}."
        )
    return hints


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
