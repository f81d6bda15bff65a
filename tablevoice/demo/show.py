"""Plays the built-in scenario and leaves a recording, captions, a log and a picture.

The scenario is a session file that comes with the package: what the controller reports, and
what the visitor and a bystander say aloud. The voices come out of the speech engine, every
word that the table reacts to went through the room, the microphone path and the recogniser.
Nothing of what is heard is scripted.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from tablevoice.acoustics.room import Block
from tablevoice.cell import load_cell
from tablevoice.demo.guarded_cell import Bench, Contacts
from tablevoice.errors import TablevoiceError
from tablevoice.links.messages import Outbound
from tablevoice.model import GuardView
from tablevoice.rehearsal import playing
from tablevoice.rehearsal.paper_guard import StopContacts
from tablevoice.rehearsal.playing import MADE, Audience, Played
from tablevoice.rehearsal.session_rows import StopRow, read_session_file
from tablevoice.shipped import shipped
from tablevoice.speech.preparing import Progress

__all__ = ["MADE", "draw", "show"]

Seen = TypeVar("Seen")

CELL, EVENING = "lantern_table.yaml", "lantern_evening.jsonl"


class _Staged(Contacts):
    """Contacts of a cell that is armed whenever the show needs it, so that each is the same show.

    On a busy computer the guard may have taken the permit back meanwhile: its block answered
    late. Then the reset is operated, as an operator would, and the show goes on.
    """

    def now(self) -> GuardView:
        view = super().now()
        return view if view.permit else self.release_and_reset()

    def ask_hold(self, kind: str) -> GuardView:
        return self._once_more(lambda: super(_Staged, self).ask_hold(kind))

    def press_stop(self) -> tuple[GuardView, float]:
        return self._once_more(super().press_stop)

    def _once_more(self, act: Callable[[], Seen]) -> Seen:
        try:
            return act()
        except TablevoiceError:
            self.release_and_reset()
            return act()


def show(
    folder: Path,
    *,
    overheard: Callable[[Outbound], None] = lambda message: None,
    preparing: Progress | None = None,
    pace: Callable[[Block], None] = lambda block: None,
    bench: Bench | None = None,
) -> Played:
    """Play the scenario into ``folder``; the files of an earlier show there are replaced.

    ``overheard`` is told every message of the table, ``preparing`` how far the lines
    are, ``pace`` every block of sound. ``bench``: where the stop guard is, if there is one.
    Draws no picture: see :func:`draw`. Raises TablevoiceError.
    """
    cell, evening = load_cell(shipped(CELL)), read_session_file(shipped(EVENING))
    with ExitStack() as open_contacts:
        contacts: StopContacts | None = None
        if bench is None:  # nobody there to press a stop: the evening goes without
            rows = [
                (row, where)
                for row, where in zip(evening.rows, evening.places, strict=True)
                if not isinstance(row, StopRow)
            ]
            evening = replace(
                evening,
                rows=tuple(row for row, _ in rows),
                places=tuple(where for _, where in rows),
            )
        else:
            cell = replace(cell, guard=bench.guard_file)
            contacts = open_contacts.enter_context(_Staged(bench))
        return playing.play(evening, cell, folder, Audience(overheard, preparing, pace),
                            contacts=contacts)  # fmt: skip


def draw(folder: Path) -> None:
    """The picture of the session in ``folder``."""
    playing.draw(folder, read_session_file(shipped(EVENING)).session.title)
