"""Rehearses one session from a file, and says in a few sentences how it went.

Joins the player to the picture of the session. Called by ``tablevoice rehearse``.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from tablevoice.cell import Cell
from tablevoice.errors import Problem
from tablevoice.links import messages
from tablevoice.links.messages import Outbound
from tablevoice.rehearsal.playing import Audience, Played, draw, play
from tablevoice.rehearsal.session_rows import read_session_file
from tablevoice.speech.preparing import Progress

MOST_ERRORS = 10


def rehearse_session(
    cell: Cell, session: Path, out: Path, seed: int | None, sound: bool, progress: Progress
) -> tuple[Played, list[str]]:
    """Play ``session`` into ``out`` and draw its picture. Raises TablevoiceError."""
    session_file = read_session_file(session)
    told: list[Outbound] = []
    played = play(session_file, cell, out, Audience(told.append, progress), sound=sound, seed=seed)
    draw(out, session_file.session.title or session.stem)
    return played, sentences(played, told)


def sentences(played: Played, told: list[Outbound]) -> list[str]:
    """What became of a session: its length, its answers, and what went wrong."""
    outcomes = Counter(message.said for message in told if isinstance(message, messages.Said))
    answers = [message for message in told if isinstance(message, messages.AnswerGiven)]
    quiet = Counter(
        message.why for message in told if isinstance(message, messages.Done) and message.why
    )
    notes = Counter(
        message.note for message in told if isinstance(message, messages.Said) and message.note
    )
    said = ", ".join(f"{count} {outcome}" for outcome, count in sorted(outcomes.items()))
    found = [
        f"{played.session_s:.0f} s of session in {played.took_s:.0f} s. Lines: {said or 'none'}."
    ]
    found += [
        f"Answer: {answer.question} = {answer.value or 'nobody'} ({answer.how})."
        for answer in answers
    ]
    found += [f"Kept quiet {count} times: {why}." for why, count in sorted(quiet.items())]
    found += [f"Gave way {count} times: {note}." for note, count in sorted(notes.items())]
    errors = [
        str(Problem(message.what, message.where, message.do))
        for message in told
        if isinstance(message, messages.ErrorReported)
    ]
    found += [f"error: {error}" for error in errors[:MOST_ERRORS]]
    if len(errors) > MOST_ERRORS:
        found.append(f"and {len(errors) - MOST_ERRORS} more errors: see session.jsonl.")
    return found
