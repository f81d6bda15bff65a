"""Commands about the room and how it is spoken in: signatures only, their work is elsewhere.

Beside ``cli.py``, which puts them into the one ``tablevoice`` command.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from tablevoice.commands.clear_errors import clear_errors
from tablevoice.commands.progress_bars import bar
from tablevoice.errors import TablevoiceError

MOST_LINES = 12


def add_to(app: typer.Typer) -> None:
    """Make the commands of this module commands of ``app``."""
    app.command()(intelligibility)


def intelligibility(
    cell_file: Annotated[
        Path, typer.Argument(help="The cell file of the table.", metavar="CELL.YAML")
    ],
    level_at_listener: Annotated[
        float,
        typer.Option(
            help="What a sound level meter shows at the listener's head while a voice speaks:"
            " the mean, in dB(A).",
        ),
    ],
    noise: Annotated[
        Path | None, typer.Option(help="A recording of the room; calibrated by one of the next.")
    ] = None,
    noise_level: Annotated[
        float | None, typer.Option(help="What the meter showed during the recording, in dB(A).")
    ] = None,
    full_scale: Annotated[
        float | None,
        typer.Option(help="Of a calibrated microphone: the dB SPL of an RMS of full scale."),
    ] = None,
    octaves: Annotated[
        str | None,
        typer.Option(help="Instead: the room's octave levels in dB, not weighted: 250=58,500=60,…"),
    ] = None,
    measured_with: Annotated[
        str | None, typer.Option(help="The voice that was measured; else the cell's first.")
    ] = None,
    lines: Annotated[int, typer.Option(min=0, help="How many lines to list.")] = MOST_LINES,
    out: Annotated[Path, typer.Option(help="The picture.")] = Path("intelligibility.png"),
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, with every line.")] = False,
) -> None:
    """Say how well each voice is understood in the noise of the room, and what to change.

    The speech intelligibility index of ANSI S3.5-1997, from every line as it really sounds.
    Names the lines that are not comfortable and the warnings that do not stand out.
    """
    from tablevoice.cell import load_cell
    from tablevoice.commands import intelligibility_report, room_noise
    from tablevoice.commands.intelligibility import find_out
    from tablevoice.commands.intelligibility_picture import draw

    with clear_errors():
        if (noise is None) == (octaves is None):
            raise TablevoiceError(
                "The noise of the room is needed once.",
                do="Give --noise FILE with --noise-level or --full-scale, or --octaves.",
            )
        if octaves is not None:
            room = room_noise.from_octaves(octaves)
        elif noise is not None:
            room = room_noise.from_recording(noise, level_dba=noise_level, full_scale_db=full_scale)
        cell = load_cell(cell_file)
        with bar("speaking lines") as progress:
            report = find_out(
                cell, room, level_at_listener, measured_with=measured_with, progress=progress
            )
        if as_json:
            found = intelligibility_report.as_json(report)
            typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
        else:
            intelligibility_report.show(report, Console(highlight=False), lines)
        draw(report, cell.table, out)  # last, so that a full disk costs the picture alone
        if not as_json:
            typer.echo(str(out))
