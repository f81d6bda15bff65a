"""Bars that show how far a long command is: on a terminal only, and never on standard output.

Knows nothing of the work. Called by the command line, which hands what it gives to the work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)

from tablevoice.speech.preparing import Progress as Shows

errors = Console(stderr=True, highlight=False, soft_wrap=True)


@contextmanager
def bar(what: str) -> Iterator[Shows]:
    """One bar that goes when the work is done; what it gives is called with done and of."""
    with _progress(transient=True) as progress:
        task = progress.add_task(what, total=None)

        def show(done: int, of: int) -> None:
            progress.update(task, completed=done, total=of)

        yield show


@contextmanager
def steps() -> Iterator[Callable[[str, int, int], None]]:
    """A bar for each step of the work, which stay; called with the step, done and of."""
    with _progress(transient=False) as progress:
        tasks: dict[str, TaskID] = {}

        def step(what: str, done: int, of: int) -> None:
            if what not in tasks:
                tasks[what] = progress.add_task(what, total=of)
            progress.update(tasks[what], completed=done, total=of)

        yield step


def _progress(*, transient: bool) -> Progress:
    columns = (
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    )  # fmt: skip
    return Progress(
        *columns, console=errors, transient=transient, disable=not errors.is_terminal
    )
