"""The log of ``tablevoice run``: where it goes, in which form, and what ends up in it.

Knows terminals and files; what a line looks like is :mod:`tablevoice.watching.logs`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import typer

from tablevoice.errors import FileRefused, TablevoiceError
from tablevoice.watching.log_sinks import LineSink, to_file, to_standard_error
from tablevoice.watching.logs import Form, Level, Log, crashes_logged, everything_logged


@contextmanager
def log_open(form: Form, level: Level, file: Path | None) -> Iterator[Log]:
    """A log on standard error, or in ``file``; what libraries say and crashes go there, too.

    Raises StoreUnwritable when the file cannot be written.
    """
    sink = LineSink(to_standard_error() if file is None else to_file(file))
    colours = file is None and sys.stderr.isatty()
    log = Log(sink, form, level, colours=colours)
    try:
        with everything_logged(log), crashes_logged(log, (TablevoiceError, typer.Exit)):
            yield log
    finally:
        log.catch_up()
        sink.close()


@contextmanager
def problems_logged(log: Log, *, wanted: bool) -> Iterator[None]:
    """Where nobody reads the terminal, have the problem that ends the command in the log."""
    try:
        yield
    except TablevoiceError as error:
        if not wanted:
            raise
        problems = error.problems if isinstance(error, FileRefused) else (error.problem,)
        for problem in problems:
            log.out.error("refused", what=problem.what, where=problem.where, do=problem.do)
        raise typer.Exit(1) from error
