"""A phrasebook that was saved while its table runs, made ready to be used: beside the loop.

Reads and checks it, renders its new lines, leaves out those that last too long, and opens an
ear where other words may be heard. Raises what is wrong before anything of the running table
has changed. The live session calls it on a thread of its own.
"""

from __future__ import annotations

from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import dataclass, replace

from tablevoice.assembly import Assembly, within_limits
from tablevoice.cell import Cell
from tablevoice.errors import FileRefused, Problem
from tablevoice.listening.ear import Ear
from tablevoice.model import Phrasebook
from tablevoice.phrasebook.phrases import spoken_phrases


@dataclass(frozen=True, slots=True)
class EditedBook:
    """What takes the place of a running phrasebook.

    ``cell`` has the whole phrasebook, ``book`` is it without lines that last too long. ``ear``
    is ``None`` where the one in use will do; ``parts`` keeps it open. ``problems``: what the
    table can live with, such as lines that could not be rendered.
    """

    cell: Cell
    book: Phrasebook
    ear: Ear | None
    parts: ExitStack
    problems: tuple[Problem, ...]

    def close(self) -> None:
        """Let go of the ear; harmless where there is none."""
        self.parts.close()


def make_ready(running: Cell, edited: Cell, latency_s: float) -> EditedBook:
    """The phrasebook of ``edited`` for the table ``running``; voices and devices stay.

    ``latency_s``: loudspeaker to microphone, for an ear. Raises TablevoiceError.
    """
    strange = [name for name in edited.voices if name not in running.voices]
    if strange:
        raise FileRefused([Problem(
            f"the cell file has the new voice {strange[0]!r}, which the running table lacks.",
            str(edited.path), "Start the table again: only its phrasebooks may change meanwhile.",
        )])  # fmt: skip
    cell = replace(running, phrasebook=edited.phrasebook)
    with ExitStack() as opening:
        parts = opening.enter_context(Assembly(cell, remember=False))
        prepared = parts.prepare()
        overlong = {line.key for line, *_ in parts.overlong()}
        book = within_limits(cell.phrasebook, lambda line: line.key in overlong)
        ear = None
        if parts.listens and _other_words(running.phrasebook, cell.phrasebook):
            ear = parts.open_ear(latency_s)
        problems = (*prepared.problems, *parts.problems)
        if ear is not None:
            return EditedBook(cell, book, ear, opening.pop_all(), problems)
    return EditedBook(cell, book, None, ExitStack(), problems)


def another_ear(cell: Cell, latency_s: float) -> tuple[Ear, ExitStack]:
    """One more ear of the words of ``cell``, and what keeps it open. Raises TablevoiceError."""
    with ExitStack() as opening:
        parts = opening.enter_context(Assembly(cell, remember=False))
        ear = parts.open_ear(latency_s)
        opened = opening.pop_all()
    return ear, opened


def _other_words(before: Phrasebook, after: Phrasebook) -> bool:
    """Whether anything else may be heard, or be pronounced otherwise."""
    return (
        set(spoken_phrases(before)) != set(spoken_phrases(after))
        or before.pronunciations != after.pronunciations
        or before.language != after.language
    )


def let_go(making: Future[EditedBook]) -> None:
    """Close what was made for nobody."""
    if not making.cancelled() and making.exception() is None:
        making.result().close()
