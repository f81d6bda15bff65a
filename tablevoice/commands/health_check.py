"""Reads how a running table is and says it, for a person and for a monitoring probe.

Knows the health file and the exit statuses that probes share (0 fine, 1 warning, 2 critical,
3 unknown; common practice of monitoring plug-ins). Called by ``tablevoice health``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused, Problem, TablevoiceError
from tablevoice.watching import health_file
from tablevoice.watching.facts import Facts
from tablevoice.watching.health import RANK
from tablevoice.watching.health_file import Document, age_s, is_stale

NO_ANSWER = 3


class NoAnswer(TablevoiceError):
    """Nothing can be said: no such file, or no table of this cell has written any."""


@dataclass(frozen=True, slots=True)
class Found:
    """A document, how old it is (``None``: from before the computer's start), and if too old."""

    file: Path
    document: Document
    age_s: float | None
    stale: bool

    @property
    def exit_status(self) -> int:
        return RANK["failing"] if self.stale else RANK[self.document.verdict]


def find(file: Path) -> Found:
    """The document that ``file`` is, or that the cell file ``file`` names. Raises NoAnswer."""
    try:
        health = file if file.suffix == ".json" else _named_by(file)
        document = health_file.read(health)
    except NoAnswer:
        raise
    except TablevoiceError as error:
        problem = error.problem
        raise NoAnswer(problem.what, where=problem.where, do=problem.do) from error
    now = health_file.stamp()
    age = age_s(document.written, now)
    # A document of a table that was closed in order grows old without anything being wrong.
    stale = document.running and is_stale(document, now)
    return Found(health, document, age, stale)


def _named_by(cell_file: Path) -> Path:
    cell = load_cell(cell_file)
    if cell.health_file is None:
        raise FileRefused([
            Problem("this cell names no health file.", str(cell_file),
                    "Add to it:  health: {file: health.json}")
        ])  # fmt: skip
    return cell.health_file


# --- for a person ---------------------------------------------------------------


def told(found: Found) -> Iterator[str]:
    """In lines, the first of which says it all."""
    document = found.document
    if found.stale:
        yield f"STALE: {document.table} wrote nothing {_for(found.age_s)}; it is dead or hung."
        yield f"  Was, then: {document.verdict} (process {document.pid}, {document.written.utc})."
        yield "  Look at its service (systemctl status tablevoice-table) and its log."
        return
    if not document.running:
        yield f"CLOSED: {document.table} was closed in order at {document.written.utc}."
        yield f"  {document.reasons[0].do}"
        return
    up = duration(document.facts.uptime_s)
    yield f"{document.verdict.upper()}: {document.table}, up {up}, {_doing(document.facts)}."
    for reason in document.reasons:
        yield f"  {reason.verdict:<8}  {reason.part}: {reason.what}"
        yield f"            {reason.do}"
    yield from _facts(document.facts)


def _for(age: float | None) -> str:
    return "since the computer started" if age is None else f"for {duration(age)}"


def _doing(facts: Facts) -> str:
    if facts.hold is not None:
        return f"held ({facts.hold})"
    if facts.question_open:
        return "asking"
    return "idle"


def _facts(facts: Facts) -> Iterator[str]:
    event = "none yet" if facts.event_ago_s is None else f"{duration(facts.event_ago_s)} ago"
    yield f"  last event  {event}"
    ear = facts.listening
    if facts.microphone is None or ear is None:
        yield "  microphone  none: answers come from buttons and the controller"
    else:
        level = "no sound yet" if ear.level_dbfs is None else f"{ear.level_dbfs:.0f} dBFS"
        yield f"  microphone  {_open(facts.microphone.open)}, {level}"
    yield f"  loudspeaker {_open(facts.loudspeaker.open)}"
    if facts.guard is not None:
        armed = "armed" if facts.guard.armed else f"not armed, {facts.guard.state}"
        yield f"  stop guard  {armed}"
    for name, link in facts.links.items():
        yield f"  link        {name}: {'up' if link.up else f'down. {link.why}'}"
    free = facts.history.free_mb
    room = "" if free is None else f", {free / 1000:.1f} GB free"
    yield f"  history     {facts.history.problem or 'kept'}{room}"
    memory = "" if facts.memory_mb is None else f"{facts.memory_mb:.0f} MB, "
    waiting = ", ".join(f"{name} {count}" for name, count in facts.queues.items() if count)
    yield f"  computer    {memory}loop late by {1000 * facts.loop.lag_s:.0f} ms at most"
    yield f"  waiting     {waiting or 'nothing'}"


def _open(is_open: bool) -> str:
    return "open" if is_open else "gone"


def duration(seconds: float) -> str:
    """As a person would say it: the two largest units."""
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min"
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} h"


# --- for programs ---------------------------------------------------------------


def as_json(found: Found) -> str:
    """The document, with what became of it since it was written."""
    document = json.loads(health_file.encoded(found.document))
    more = {"stale": found.stale, "age_s": found.age_s, "exit_status": found.exit_status}
    return json.dumps({**document, **more}, indent=2, ensure_ascii=False)


def no_answer_as_json(no_answer: NoAnswer) -> str:
    """Why there is none."""
    problem = no_answer.problem
    error = {"what": problem.what, "where": problem.where, "do": problem.do}
    return json.dumps({"error": error, "exit_status": NO_ANSWER}, indent=2, ensure_ascii=False)
