"""The log of ``tablevoice run``: where it goes, in which form, and what ends up in it.

Knows terminals and files; what a line looks like is :mod:`tablevoice.watching.logs`.
"""

from __future__ import annotations

import faulthandler
import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import typer

from tablevoice.errors import FileRefused, TablevoiceError
from tablevoice.watching.log_sinks import LineSink, to_file, to_standard_error
from tablevoice.watching.logs import Form, Level, Log, crashes_logged, everything_logged

STANDARD_ERROR = 2


@contextmanager
def log_open(form: Form, level: Level, file: Path | None) -> Iterator[Log]:
    """A log on standard error, or in ``file``; what libraries say and crashes go there, too.

    Raises StoreUnwritable when the file cannot be written.
    """
    own = os.dup(STANDARD_ERROR)  # also where everything else is caught
    # A service manager ends a hung process by SIGABRT: say where every thread was.
    faulthandler.enable(own)
    sink = LineSink(to_standard_error(own) if file is None else to_file(file))
    log = Log(sink, form, level, colours=file is None and os.isatty(own))
    try:
        with ExitStack() as caught:
            if form == "json" and file is None:
                caught.enter_context(_foreign_lines_logged(log, own))
            caught.enter_context(everything_logged(log))
            caught.enter_context(crashes_logged(log, (TablevoiceError, typer.Exit)))
            yield log
    finally:
        log.catch_up()
        sink.close()
        faulthandler.disable()
        os.close(own)


@contextmanager
def _foreign_lines_logged(log: Log, own: int) -> Iterator[None]:
    """Have in the log what C libraries, such as ALSA, write to standard error past Python.

    So every line there is one of JSON. ``own``: standard error as it was.
    """
    reader, writer = os.pipe()
    os.dup2(writer, STANDARD_ERROR)
    os.close(writer)

    def read() -> None:
        with os.fdopen(reader, "r", encoding="utf-8", errors="backslashreplace") as lines:
            for line in lines:
                if line.strip():
                    log.out.warning("standard_error", text=line.rstrip())

    thread = threading.Thread(target=read, name="standard error", daemon=True)
    thread.start()
    try:
        yield
    finally:
        os.dup2(own, STANDARD_ERROR)  # with this the pipe ends, unless a child still has it
        thread.join(1.0)


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
