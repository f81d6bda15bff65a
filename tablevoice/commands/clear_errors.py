"""Turns every error raised on purpose into one message on standard error and exit status 1.

Knows the errors and the terminal, no command. Every command's body runs within it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import typer

from tablevoice.commands.progress_bars import errors
from tablevoice.errors import FileRefused, Problem, TablevoiceError


@contextmanager
def clear_errors() -> Iterator[None]:
    """Run a command's body; ends with exit status 1 for an error, 130 when interrupted."""
    try:
        yield
    except FileRefused as refused:
        for problem in refused.problems:
            show_problem(problem)
        raise typer.Exit(1) from refused
    except TablevoiceError as error:
        show_problem(error.problem)
        raise typer.Exit(1) from error
    except KeyboardInterrupt:
        raise typer.Exit(130) from None


def show_problem(problem: Problem) -> None:
    """One problem on standard error."""
    errors.print(f"error: {problem}", style="red", markup=False)
