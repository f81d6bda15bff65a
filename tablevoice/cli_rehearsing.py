"""The command that tries a table out: signatures only, the work is in ``commands``.

Beside ``cli.py``, which puts it into the one ``tablevoice`` command.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from tablevoice.commands.clear_errors import clear_errors
from tablevoice.commands.progress_bars import bar
from tablevoice.errors import TablevoiceError


def add_to(app: typer.Typer) -> None:
    """Make the command of this module a command of ``app``."""
    app.command()(rehearse)


def rehearse(
    cell_file: Annotated[
        Path, typer.Argument(help="The cell file of the table.", metavar="CELL.YAML")
    ],
    sessions: Annotated[
        int | None, typer.Option(min=1, max=100_000, help="Play so many sessions' choices.")
    ] = None,
    session: Annotated[
        Path | None, typer.Option(help="Play one session from a file of timed events and answers.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for what it makes.")] = Path("rehearsal"),
    seed: Annotated[
        int | None, typer.Option(help="Another number, another rehearsal; the same, the same.")
    ] = None,
    minutes: Annotated[float, typer.Option(help="How long a session of the season is.")] = 25.0,
    pause: Annotated[float, typer.Option(help="Minutes between two sessions of the season.")] = 5.0,
    sound: Annotated[bool, typer.Option(help="Leave session.wav, too: what is heard.")] = False,
    picture: Annotated[str, typer.Option(help="Kind of the season's picture: .png or .svg.")] = (
        ".png"
    ),
) -> None:
    """Try the lines out: a season of --sessions 1000, or one --session FILE as it would sound.

    A season tells how often each line comes, how soon it comes back, and how much of the time
    is spent talking. A session file plays through the real table in virtual time and leaves
    what a real session leaves: two runs give the same bytes.
    """
    console = Console(highlight=False)
    with clear_errors():
        if (sessions is None) == (session is None):
            raise TablevoiceError(
                "Rehearse a season or one session.", do="Give --sessions 1000, or --session FILE."
            )
        files: tuple[Path, ...] = ()
        if sessions is not None:
            files = _season(cell_file, sessions, out, seed, minutes, pause, picture, console)
        elif session is not None:
            files = _one_session(cell_file, session, out, seed, sound, console)
        for path in files:
            console.print(str(path), soft_wrap=True, markup=False)


def _season(
    cell_file: Path,
    sessions: int,
    out: Path,
    seed: int | None,
    minutes: float,
    pause: float,
    picture: str,
    console: Console,
) -> tuple[Path, ...]:
    from tablevoice.cell import read_cell
    from tablevoice.commands.season_rehearsal import rehearse_season, show_season
    from tablevoice.rehearsal.season import Plan

    read = read_cell(cell_file)
    plan = Plan(sessions, 1 if seed is None else seed, minutes * 60.0, pause * 60.0)
    with bar("sessions") as progress:
        rehearsed = rehearse_season(read, plan, out, picture, progress)
    show_season(rehearsed.season, read.cell, console)
    return rehearsed.files


def _one_session(
    cell_file: Path, session: Path, out: Path, seed: int | None, sound: bool, console: Console
) -> tuple[Path, ...]:
    from tablevoice.cell import load_cell
    from tablevoice.commands.session_rehearsal import rehearse_session

    cell = load_cell(cell_file)
    with bar("preparing lines") as progress:
        played, told = rehearse_session(cell, session, out, seed, sound, progress)
    for sentence in told:
        console.print(sentence, soft_wrap=True, markup=False)
    return played.files
