"""Whether a session file fits its table: events, slots, answers and sound files exist.

Pure but for a look at whether sound files are there. Called before a session is played, so
that a slip of the pen costs no minutes of playing.
"""

from __future__ import annotations

from tablevoice.cell import Cell
from tablevoice.errors import FileRefused, MessageRefused, Problem
from tablevoice.links import messages
from tablevoice.model import Phrasebook
from tablevoice.nearest import advice
from tablevoice.phrasebook.slots import check_slots
from tablevoice.rehearsal.session_rows import (
    ANSWER,
    EventRow,
    MessageRow,
    PersonRow,
    SessionFile,
    StopRow,
)


def check_session(session_file: SessionFile, cell: Cell) -> None:
    """Raise FileRefused with every row that cannot be played at this table."""
    problems = []
    for row, where in zip(session_file.rows, session_file.places, strict=True):
        try:
            match row:
                case EventRow():
                    _check_event(row, cell.phrasebook)
                case MessageRow(message=messages.ButtonPressed(button=button)):
                    _check_answer(button, cell.phrasebook)
                case PersonRow():
                    _check_person(row, session_file, cell)
                case StopRow(during=str(event)):
                    _check_name(event, cell.phrasebook)
                case _:
                    pass
        except MessageRefused as refused:
            problem = refused.problem
            problems.append(Problem(problem.what, where, problem.do))
    setup = session_file.session
    if setup.resumed is not None and setup.resumed not in cell.phrasebook.events:
        problems.append(
            Problem(
                f"there is no event {setup.resumed!r}.",
                f"{session_file.path}:1",
                advice(setup.resumed, cell.phrasebook.events),
            )
        )
    if setup.noise not in (None, "shop") and not (session_file.folder / setup.noise).is_file():
        problems.append(
            Problem(
                f"there is no sound file {setup.noise!r}.",
                f"{session_file.path}:1",
                "Name one beside the session file.",
            )
        )
    if problems:
        raise FileRefused(problems)


def _check_event(row: EventRow, book: Phrasebook) -> None:
    _check_name(row.event, book)
    event = book.events[row.event]
    known = {name: value for name, value in row.slots.items() if value != ANSWER}
    answered = [name for name in row.slots if name not in known]
    for name in answered:
        # Stands for any answer of any question: the first known value will do to check the rest.
        values = book.slot_values.get(name)
        known[name] = values[0] if values else "answer"
    check_slots(event, book.slot_values, known)


def _check_name(event: str, book: Phrasebook) -> None:
    if event not in book.events:
        raise MessageRefused(f"there is no event {event!r}.", do=advice(event, book.events))


def _check_answer(answer: str, book: Phrasebook) -> None:
    answers = {name for question in book.questions.values() for name in question.answers}
    if answer not in answers:
        raise MessageRefused(f"no question has the answer {answer!r}.", do=advice(answer, answers))


def _check_person(row: PersonRow, session_file: SessionFile, cell: Cell) -> None:
    if row.after is not None:
        _check_name(row.after, cell.phrasebook)
    if row.who in cell.voices:
        raise MessageRefused(
            f"{row.who!r} is a voice of the table.", do="Give the person another name."
        )
    if row.plays is not None and not (session_file.folder / row.plays).is_file():
        raise MessageRefused(
            f"there is no sound file {row.plays!r}.", do="Name one, seen from the session file."
        )
