"""Looks a cell over before opening day: what is there, what is missing, how to get it.

Tries the very parts that a session uses, and has the desk read the lines. Changes nothing
but the prepared lines in the store. Called by ``tablevoice check``.
"""

from __future__ import annotations

import queue
from dataclasses import dataclass, field
from pathlib import Path

from tablevoice.assembly import Assembly
from tablevoice.audio.devices import can_listen, can_play, list_devices
from tablevoice.cell import Cell, read_cell
from tablevoice.errors import (
    AudioUnavailable,
    EngineFailed,
    FileRefused,
    Problem,
    TablevoiceError,
)
from tablevoice.links.stop_guard import StopGuardLink, status_address
from tablevoice.listening.judging import implied
from tablevoice.listening.recognisers import KINDS
from tablevoice.model import GuardView
from tablevoice.phrasebook.desk.codes import Severity
from tablevoice.phrasebook.desk.lengths import Spoken
from tablevoice.phrasebook.desk.manuscript import manuscript
from tablevoice.phrasebook.desk.notes import Note, refusal
from tablevoice.phrasebook.desk.reading import Reading, read
from tablevoice.phrasebook.desk.word_lists import read_word_lists
from tablevoice.phrasebook.loading import ReadBook
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.speech.preparing import Progress
from tablevoice.tuning.command_model import cannot_learn

GUARD_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True)
class Found:
    """A part that is there."""

    part: str
    text: str


@dataclass(slots=True)
class Report:
    """What was found. The table may open when nothing is ``missing``.

    ``reading``: what the desk says of the lines. ``whole``: all parts of the table were tried,
    not its lines alone.
    """

    found: list[Found] = field(default_factory=list)
    advice: list[Problem] = field(default_factory=list)
    missing: list[Problem] = field(default_factory=list)
    reading: Reading | None = None
    whole: bool = True

    @property
    def may_open(self) -> bool:
        return not self.missing

    @property
    def clean(self) -> bool:
        """Whether nothing at all is left to be said, but for what was accepted."""
        open_notes = self.reading is not None and bool(self.reading.open_notes)
        return not self.missing and not self.advice and not open_notes

    @property
    def notes(self) -> list[Note]:
        """All findings that have a place in a file, those that refuse a file first."""
        refused = [note for problem in self.missing if (note := refusal(problem)) is not None]
        return refused + list(self.reading.notes if self.reading is not None else ())

    @property
    def problems(self) -> list[tuple[Severity, Problem]]:
        """What has no place in a file: parts that are missing, and advice on others."""
        missing = [(Severity.ERROR, one) for one in self.missing if refusal(one) is None]
        return missing + [(Severity.WARNING, one) for one in self.advice]


def check_cell(
    path: Path,
    progress: Progress | None = None,
    *,
    lines_only: bool = False,
    render: bool = False,
) -> Report:
    """Look a cell over and read its lines; a file that is refused becomes part of the report.

    ``lines_only``: no device, recogniser, history or stop guard is tried, and only of lines
    that are prepared is it said how long they last; ``render`` prepares the others first.
    """
    try:
        found = read_cell(path)
    except FileRefused as refused:
        return Report(missing=list(refused.problems), whole=not lines_only)
    if not lines_only:
        return look_over(found.cell, progress, found.read)
    report = Report(whole=False)
    _phrasebook(found.cell, report)
    with Assembly(found.cell, remember=False) as parts:
        report.advice += parts.problems
        if render:
            try:
                _voices(parts, report, progress)
            except EngineFailed as error:
                report.missing.append(error.problem)
        _lines(parts, found.read, report)
    return report


def look_over(cell: Cell, progress: Progress | None = None, book: ReadBook | None = None) -> Report:
    """Try every part of ``cell``; a cell file that does not load never comes here.

    With ``book``, the cell's phrasebooks as they were read, the desk reads its lines, too.
    """
    report = Report()
    _phrasebook(cell, report)
    try:
        with Assembly(cell) as parts:
            report.advice += parts.problems
            try:
                _voices(parts, report, progress)
            except EngineFailed as error:
                report.missing.append(error.problem)
            if book is not None:
                _lines(parts, book, report)
            _recogniser(parts, report)
            _second_opinion(parts, report)
    except TablevoiceError as error:
        report.missing.append(error.problem)
    if book is not None and report.reading is None:  # a history that cannot be kept, say
        with Assembly(cell, remember=False) as parts:
            _lines(parts, book, report)
    report.found.append(Found("judging", _thresholds(cell)))
    _devices(cell, report)
    _stop_guard(cell, report)
    return report


def _phrasebook(cell: Cell, report: Report) -> None:
    book = cell.phrasebook
    lines = sum(len(event.lines) for event in book.events.values())
    report.found.append(
        Found("phrasebook", f"{book.title}: {len(book.events)} events, {lines} lines,"
              f" {len(book.questions)} questions, language {book.language}")
    )  # fmt: skip


def _lines(parts: Assembly, book: ReadBook, report: Report) -> None:
    """Have the desk read the lines; their lengths are those of the prepared sounds."""
    text = manuscript(book)
    style = parts.cell.house_style
    try:
        words = read_word_lists(style.word_lists, text.language)
    except FileRefused as refused:
        report.missing += refused.problems
        words = {}
    dumb: set[str] = set()

    def lasts_s(spoken: Spoken) -> float | None:
        _event, _line, said, voice = spoken
        engine = parts.cell.voices[voice].engine
        if engine in dumb:
            return None
        try:
            return parts.voices.prepared_s(said, voice)
        except EngineFailed as error:
            dumb.add(engine)
            if error.problem not in report.missing:
                report.advice.append(error.problem)
            return None

    report.reading = read(text, style, words, parts.spoken_lines(), lasts_s)


def _stop_guard(cell: Cell, report: Report) -> None:
    if cell.guard is None:
        report.found.append(Found("stop guard", "none named: a spoken hold is only a request"))
        return
    try:
        address = status_address(cell.guard)
    except FileRefused as refused:
        report.missing += refused.problems
        return
    views: queue.Queue[GuardView] = queue.Queue()
    with StopGuardLink(address, views.put):
        view = views.get(timeout=GUARD_WITHIN_S)
    where = str(cell.guard)
    if view.state == "silent":
        report.missing.append(
            Problem("The stop guard does not run.", where, f"Start it: tablevoice guard {where}")
        )
    elif not view.proven:
        report.missing.append(
            Problem(f"The stop guard is not proven: {view.why_not_proven}", where,
                    f"Walk through it: tablevoice guard {where} --prove")
        )  # fmt: skip
    else:
        report.found.append(Found("stop guard", f"{view.state}, its stops proven by a press"))


def _voices(parts: Assembly, report: Report, progress: Progress | None) -> None:
    cell = parts.cell
    missing = parts.missing_voices()
    report.missing += missing
    absent = {problem.where for problem in missing}
    for name, voice in cell.voices.items():
        if not any(where.endswith(f"voices.{name}") for where in absent):
            report.found.append(
                Found("voice", f"{name}: {voice.engine} {voice.voice}, {voice.rate_wpm} words"
                      f" a minute, pitch {voice.pitch}")
            )  # fmt: skip
    if missing:
        return
    for engine in sorted({voice.engine for voice in cell.voices.values()}):
        known = len(parts.engine.voices(engine))
        report.found.append(Found("engine", f"{engine}: {known} voices here"))
    prepared = parts.prepare(progress)
    report.found.append(
        Found("store", f"{prepared.made + prepared.kept} lines prepared,"
              f" {prepared.made} of them now, in {cell.store_folder}")
    )  # fmt: skip
    report.missing += prepared.problems
    if prepared.left_out:
        report.advice.append(
            Problem(f"{prepared.left_out} lines were not prepared and are rendered when needed.")
        )


def _recogniser(parts: Assembly, report: Report) -> None:
    choice = parts.cell.recogniser
    if not parts.listens:
        report.found.append(Found("recogniser", "none: nobody is heard, buttons answer"))
        return
    try:
        parts.open_recogniser()
    except TablevoiceError as error:
        report.missing.append(error.problem)
        return
    phrases = len(spoken_phrases(parts.cell.phrasebook))
    model = choice.model if choice.model is not None else "its own model"
    others = ", ".join(kind for kind in KINDS if kind != choice.kind)
    report.found.append(
        Found("recogniser", f"{choice.kind} with {model}, {phrases} phrases (also known: {others})")
    )


def _second_opinion(parts: Assembly, report: Report) -> None:
    if not parts.listens:
        return
    told = len(parts.problems)
    second = parts.open_second_opinion()
    report.advice += parts.problems[told:]
    if second is not None:
        heard = sum(second.notes["examples"].values())
        report.found.append(
            Found("tuned file", f"{second.path}, {len(second.notes['phrases'])} phrases learnt"
                  f" from {heard} examples")
        )  # fmt: skip
    elif not parts.problems[told:]:
        cannot = cannot_learn(parts.cell)
        why = cannot[0].what if cannot else f"Make one: tablevoice tune {parts.cell.path}"
        report.found.append(Found("tuned file", f"none: the grammar listens alone. {why}"))


def _thresholds(cell: Cell) -> str:
    """What the costs of the cell amount to, where the sound gives probabilities."""
    at = implied(cell.listening.costs)

    def share(p: float) -> str:
        return "never" if p > 1.0 else f"from {p:.0%}"

    return (
        f"costs: acts on an answer {share(at.act_from)}, has it confirmed"
        f" {share(at.confirm_from)}, holds {share(at.hold_from)}; speaks to somebody unclear"
        f" {share(at.ask_from)}"
    )


def _devices(cell: Cell, report: Report) -> None:
    try:
        for device in list_devices():
            channels = (("out", device.outputs), ("in", device.inputs))
            ways = " and ".join(way for way, count in channels if count)
            report.found.append(
                Found("device", f"{device.index}: {device.name} ({device.host_api}, {ways})")
            )
    except AudioUnavailable as error:
        report.missing.append(error.problem)
        return
    wanted = (
        ("loudspeaker", can_play, cell.loudspeaker.device),
        ("microphone", can_listen, cell.microphone.device),
    )
    for part, usable, device_name in wanted:
        if part == "microphone" and cell.recogniser.kind == "none":
            continue
        good, text = usable(device_name)
        if good:
            report.found.append(Found(part, text))
        else:
            report.missing.append(Problem(text, f"{part} {device_name!r}"))
