"""Commands about links to a cell's controller: signatures only, the work is in ``commands``.

Beside ``cli.py``, which puts them into the one ``tablevoice`` command.
"""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from tablevoice.commands.clear_errors import clear_errors


class MapForm(str, Enum):
    """How the register map is written."""

    TEXT = "text"
    CSV = "csv"
    MARKDOWN = "markdown"
    ST = "st"


def add_to(app: typer.Typer) -> None:
    """Make the commands of this module commands of ``app``."""
    app.command("map")(register_map)


def register_map(
    cell_file: Annotated[
        Path, typer.Argument(help="The cell file of the table.", metavar="CELL.YAML")
    ],
    form: Annotated[
        MapForm,
        typer.Option("--format", help="text, csv, markdown, or st: structured text (IEC 61131-3)."),
    ] = MapForm.TEXT,
    suggest: Annotated[
        bool,
        typer.Option("--suggest", help="Print numbers for all that has none; changes no file."),
    ] = False,
) -> None:
    """Print the Modbus register map, to hand to the controller's programmer.

    Events, words and answers have the numbers of the cell file and no others: an edit of a
    phrasebook never renumbers anything. --suggest prints a `links:` to begin with, or the one
    there is with numbers for what is new.
    """
    from tablevoice.cell import load_cell
    from tablevoice.commands import register_map as printing

    with clear_errors():
        if suggest:
            typer.echo(printing.proposal(cell_file), nl=False)
            return
        cell = load_cell(cell_file)
        if form is MapForm.TEXT:
            printing.show(cell, Console(highlight=False))
        else:
            write = {
                MapForm.CSV: printing.as_csv, MapForm.MARKDOWN: printing.as_markdown,
                MapForm.ST: printing.as_structured_text,
            }[form]  # fmt: skip
            typer.echo(write(cell), nl=False)
