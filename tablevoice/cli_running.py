"""The commands of a running table: run it, and ask how it is. Signatures only.

Beside ``cli.py``, which puts them into the one ``tablevoice`` command; the work is in
``commands``.
"""

from __future__ import annotations

import asyncio
from contextlib import ExitStack
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from tablevoice.commands.clear_errors import clear_errors
from tablevoice.commands.progress_bars import bar, errors

_CAUTIONS = ""


class LogForm(str, Enum):
    """How the log is written."""

    HUMAN = "human"
    JSON = "json"


class LogLevel(str, Enum):
    """What the log leaves out: everything below."""

    DEBUG = "debug"
    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


def add_to(app: typer.Typer, cautions: str) -> None:
    """Make the commands of this module commands of ``app``; ``cautions`` are shown by run."""
    global _CAUTIONS
    _CAUTIONS = cautions
    app.command()(run)
    app.command()(health)


def run(
    cell_file: Annotated[
        Path, typer.Argument(help="The cell file of the table.", metavar="CELL.YAML")
    ],
    record: Annotated[
        Path | None, typer.Option(help="Folder for session.jsonl and captions.vtt.")
    ] = None,
    log: Annotated[LogForm, typer.Option(help="How the log on standard error is written.")] = (
        LogForm.HUMAN
    ),
    log_level: Annotated[LogLevel, typer.Option(help="Leave out what is less.")] = LogLevel.INFO,
    log_file: Annotated[
        Path | None, typer.Option(help="Log into this file instead: six of 10 MB at most.")
    ] = None,
    log_speech: Annotated[
        bool, typer.Option("--log-speech", help="Log what people said and answered, too.")
    ] = False,
) -> None:
    """Open the table: events in and answers out as JSON lines.

    Messages come in on standard input and go out on standard output, one a line; see
    `tablevoice schema messages`. Ends at the end of the input, once all is answered; with links
    in the cell file, at a signal. A phrasebook that is saved meanwhile is used from the next line
    on; a broken one is refused.
    """
    from tablevoice.cell import load_cell
    from tablevoice.commands.running import Telling, run_table
    from tablevoice.commands.running_log import log_open, problems_logged
    from tablevoice.watching.redaction import Redaction, secrets_in

    human = log is LogForm.HUMAN and log_file is None
    with clear_errors(), log_open(log.value, log_level.value, log_file) as opened:
        if human:
            errors.print(_CAUTIONS, style="yellow")
        else:
            opened.out.warning("caution", text=" ".join(_CAUTIONS.split()))
        with ExitStack() as preparing, problems_logged(opened, wanted=not human):
            cell = load_cell(cell_file)
            opened.use(Redaction(secrets_in(cell)))
            progress = preparing.enter_context(bar("preparing lines"))
            says = partial(errors.print, style="yellow", markup=False)
            telling = Telling(
                opened, progress, preparing.close,
                says if human else lambda text: opened.out.info("phrasebook_file", text=text),
                log_speech,
            )  # fmt: skip
            asyncio.run(run_table(cell, record, telling))


def health(
    file: Annotated[
        Path,
        typer.Argument(help="The cell file, or the health file itself.", metavar="FILE"),
    ],
    as_json: Annotated[
        bool, typer.Option("--json", help="The whole document, with its age and exit status.")
    ] = False,
) -> None:
    """Say how a running table is: exit status 0 ok, 1 degraded, 2 failing or stale, 3 no answer.

    Reads the file that the cell names under `health:`. Stale means that the table has not
    written it for three times as long as it should: it is dead or hung.
    """
    from tablevoice.commands import health_check

    try:
        found = health_check.find(file)
    except health_check.NoAnswer as no_answer:
        if as_json:
            typer.echo(health_check.no_answer_as_json(no_answer))
        else:
            errors.print(f"UNKNOWN: {no_answer}", style="red", markup=False)
        raise typer.Exit(health_check.NO_ANSWER) from no_answer
    if as_json:
        typer.echo(health_check.as_json(found))
    else:
        console = Console(highlight=False)
        for line in health_check.told(found):
            console.print(line, markup=False, soft_wrap=True)
    raise typer.Exit(found.exit_status)
