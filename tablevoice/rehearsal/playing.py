"""Plays a session file through the real table, in virtual time, into a folder.

Puts the controller, the people and the stop contacts of the file around a real table in a
simulated room: lines come out of the engine, what people say aloud goes through the room, the
microphone path and the recogniser. The demo is one such file. Nothing here reads a clock, so
that two runs leave the same bytes.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from functools import partial
from pathlib import Path

from tablevoice import __version__
from tablevoice.acoustics.levels import active_level_dbfs, with_gain
from tablevoice.acoustics.noise import shop_noise
from tablevoice.acoustics.room import Block, Room
from tablevoice.actions import Send
from tablevoice.assembly import Assembly, within_limits
from tablevoice.audio.clip_files import ClipWriter, read_clip
from tablevoice.cell import Cell
from tablevoice.errors import MessageRefused, StoreUnwritable
from tablevoice.links import messages
from tablevoice.links.messages import Outbound
from tablevoice.model import LISTENING_RATE_HZ, Clip, Voice
from tablevoice.rehearsal.controller import Controller, Outcome, Play, Report
from tablevoice.rehearsal.paper_guard import PaperGuard, StopContacts
from tablevoice.rehearsal.people import People, Remark
from tablevoice.rehearsal.session_checks import check_session
from tablevoice.rehearsal.session_rows import (
    ANSWER,
    EventRow,
    MessageRow,
    PersonRow,
    ResetRow,
    SessionFile,
    StopRow,
)
from tablevoice.session_records import Record
from tablevoice.simulation import SimulatedSession
from tablevoice.speech.preparing import Progress
from tablevoice.timeline import draw_timeline, read_session, tell

DATE = datetime(2030, 1, 1, tzinfo=timezone.utc)
"""The day on which every rehearsal takes place, so that two runs bear the same times."""

BEGINS_S = 0.8
NOISE_S = 20.0
RINGS_OUT_BLOCKS = 20
TYPED_S = 0.5
"""How long a word that is typed is taken to have lasted."""

MADE = ("session.wav", "captions.vtt", "session.jsonl", "timeline.png")
_KEPT = (*MADE, "history.sqlite", "history.sqlite-wal", "history.sqlite-shm")


@dataclass(frozen=True, slots=True)
class Played:
    """What was made: the files, how long the session was, and how long it took."""

    files: tuple[Path, ...]
    session_s: float
    took_s: float


@dataclass(frozen=True, slots=True)
class Audience:
    """Who follows a rehearsal: every message, the preparation of lines, every block of sound."""

    overheard: Callable[[Outbound], None] = lambda message: None
    preparing: Progress | None = None
    pace: Callable[[Block], None] = lambda block: None


def play(
    session_file: SessionFile,
    cell: Cell,
    folder: Path,
    audience: Audience = Audience(),
    *,
    contacts: StopContacts | None = None,
    sound: bool = True,
    seed: int | None = None,
) -> Played:
    """Play a session into ``folder``; the files of an earlier one there are replaced.

    ``contacts``: those of a real stop guard; a table that has one is played on paper without.
    ``sound``: leave ``session.wav``, too. ``seed``: instead of the file's. Draws no picture:
    see :func:`draw`. Raises TablevoiceError, before anything is played for a file that does
    not fit the phrasebook.
    """
    began_s = time.monotonic()
    check_session(session_file, cell)
    _clear(folder)
    stops = any(isinstance(row, (StopRow, ResetRow)) for row in session_file.rows)
    if contacts is None and (cell.guard is not None or stops):
        contacts = PaperGuard()
    guard = (cell.guard or folder / "on_paper.yaml") if contacts is not None else None
    cell = replace(cell, history_file=folder / "history.sqlite", guard=guard, keep_audio_days=0)
    stage = _Stage(session_file, cell, folder, audience, contacts, sound, seed)
    with stage:
        with ExitStack() as batch:
            if contacts is None or isinstance(contacts, PaperGuard):
                # It need not survive a pulled plug: one wait for the disk, not one a row.
                batch.enter_context(stage.record.together())
            session_s = stage.play()
        stage.raise_if_refused()
    names = [name for name in MADE if (sound or name != "session.wav")]
    return Played(tuple(folder / name for name in names), session_s, time.monotonic() - began_s)


def draw(folder: Path, title: str) -> None:
    """The picture of the session in ``folder``."""
    recording = folder / "session.wav"
    sound = read_clip(recording) if recording.exists() else None
    story = tell(read_session(folder / "session.jsonl"))
    draw_timeline(story, sound, folder / "timeline.png", title)


class _Stage:
    """One session being played: its parts, opened together and closed together."""

    def __init__(
        self,
        session_file: SessionFile,
        cell: Cell,
        folder: Path,
        audience: Audience,
        contacts: StopContacts | None,
        sound: bool,
        seed: int | None,
    ) -> None:
        self._file = session_file
        self._cell = cell
        self._folder = folder
        self._audience = audience
        self._contacts = contacts
        self._sound = sound
        setup = session_file.session
        self._seed = setup.seed if seed is None else seed
        hours, minutes = map(int, setup.starts.split(":"))
        self._starts = DATE + timedelta(hours=hours, minutes=minutes)
        self._open = ExitStack()
        self._answer: str | None = None
        self._people = People(row for row in session_file.rows if isinstance(row, PersonRow))
        self._voices = {
            name: Voice(name, voice.engine, voice.voice, voice.rate_wpm, voice.pitch)
            for name, voice in setup.people.items()
        }
        self._room = Room(
            _noise(session_file, self._seed),
            arms=tuple(cell.voices),
            people=tuple(dict.fromkeys((*setup.people, *session_file.people()))),
            person_level_dbfs=None,
        )

    def __enter__(self) -> _Stage:
        with self._open as opening:
            parts = opening.enter_context(
                Assembly(self._cell, utc_now=lambda: self._utc(self._room.now_s))
            )
            parts.prepare(self._audience.preparing)
            overlong = {line.key for line, *_ in parts.overlong()}
            book = within_limits(self._cell.phrasebook, lambda line: line.key in overlong)
            if parts.history is not None:
                parts.history.begin_session(self._cell.table, __version__)
            named = self._cell.phrasebook
            self.record = opening.enter_context(
                Record(self._folder, parts.history, title=named.title, language=named.language)
            )
            pace = self._audience.pace
            if self._sound:
                writer = opening.enter_context(
                    ClipWriter(self._folder / "session.wav", self._room.table_rate_hz)
                )

                def pace(block: Block) -> None:
                    writer.append(block.heard_at_table)
                    self._audience.pace(block)

            table = parts.open_table(self._seed, book, clock=self._clock_min)
            ear = parts.open_ear() if self._file.spoken() and parts.listens else None
            self._session = SimulatedSession(
                table, ear, self._room, parts.voices, self.record, pace=pace,
                overheard=self._told,
            )  # fmt: skip
            self._parts = parts
            self._open = opening.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def _utc(self, now_s: float) -> datetime:
        return self._starts + timedelta(seconds=now_s)

    def _clock_min(self, now_s: float) -> float:
        now = self._utc(now_s)
        return now.hour * 60 + now.minute + now.second / 60

    # --- the play ---------------------------------------------------------------

    def play(self) -> float:
        """Play to the end; gives its length in seconds."""
        session, contacts = self._session, self._contacts
        setup = self._file.session
        press_reset = None
        if contacts is not None:
            session.ask_hold = lambda kind: session.guard_changed(contacts.ask_hold(kind))
            press_reset = partial(self._reset, contacts)
        self._controller = Controller(
            self._script(), session.receive, self._later, setup.reset_after_s, press_reset,
            setup.resumed,
        )  # fmt: skip
        session.open(__version__)
        if contacts is not None:
            session.guard_changed(contacts.now())
        stops = self._plan_timed(contacts)
        self._later(BEGINS_S, self._controller.begin)
        while session.now_s < setup.longest_s and not self._over():
            session.step()
            if contacts is not None:
                stops = [stop for stop in stops if not self._pressed(stop, contacts)]
        for _ in range(RINGS_OUT_BLOCKS):
            session.step()
        session_s = session.now_s
        session.receive(messages.Close())
        return session_s

    def raise_if_refused(self) -> None:
        """Raise what the table refused for good, so that the play ended early."""
        error = self._controller.refused
        if error is not None:
            raise MessageRefused(error.what, where=error.where, do=error.do)

    def _over(self) -> bool:
        session = self._session
        return self._controller.finished and session.table.idle and not session.due

    def _later(self, after_s: float, what: Callable[[], None]) -> None:
        self._session.at(self._session.now_s + after_s, what)

    def _script(self) -> Play:
        """The events that follow one another, each when the one before is over."""
        for row in self._file.rows:
            if not isinstance(row, EventRow) or row.at_s is not None or not self._wanted(row):
                continue
            after_s = Report("").after_s if row.after_s is None else row.after_s
            outcome: Outcome = yield Report(row.event, self._slots(row), after_s)
            if self._cell.phrasebook.events[row.event].asks is not None:
                self._answer = outcome.answer

    def _wanted(self, row: EventRow) -> bool:
        allowed, refused = _answers(row.if_answer), _answers(row.unless_answer)
        if self._answer is None and ANSWER in row.slots.values():
            return False
        return (not allowed or self._answer in allowed) and self._answer not in refused

    def _slots(self, row: EventRow) -> dict[str, str | int]:
        answer = self._answer or ""
        return {name: answer if value == ANSWER else value for name, value in row.slots.items()}

    def _plan_timed(self, contacts: StopContacts | None) -> list[StopRow]:
        """Have rows with a time happen then; gives the stops that wait for a line."""
        session = self._session
        for number, row in enumerate(self._file.rows, 1):
            match row:
                case EventRow(at_s=float() | int() as at_s):
                    session.at(at_s, partial(self._report, f"t{number}", row))
                case MessageRow(message=message, at_s=at_s):
                    session.at(at_s, partial(session.receive, message))
                case PersonRow(at_s=float() | int() as at_s):
                    session.at(at_s, partial(self._say_now, row))
                case ResetRow(at_s=at_s) if contacts is not None:
                    session.at(at_s, partial(self._reset, contacts))
                case StopRow(at_s=float() | int() as at_s) if contacts is not None:
                    session.at(at_s, partial(self._stop, contacts))
                case _:
                    pass
        return [row for row in self._file.rows if isinstance(row, StopRow) and row.during]

    def _report(self, event_id: str, row: EventRow) -> None:
        if self._wanted(row):
            self._session.receive(
                messages.EventReported(id=event_id, event=row.event, slots=self._slots(row))
            )

    # --- what is heard, and who speaks -------------------------------------------

    def _told(self, sent: Send) -> None:
        message = sent.message
        self._audience.overheard(message)
        if isinstance(message, messages.AnswerGiven):
            self._answer = message.value
        self._controller.hears(message)
        for remark in self._people.hears(message):
            self._later(remark.after_s, partial(self._say, remark))

    def _say_now(self, row: PersonRow) -> None:
        remark = self._people.remark(row)
        if remark is not None:
            self._say(remark)

    def _say(self, remark: Remark) -> None:
        if remark.typed:
            self._session.understood(remark.who, remark.text, TYPED_S)
        else:
            self._session.speak(remark.who, remark.text, self._clip(remark))

    def _clip(self, remark: Remark) -> Clip:
        if remark.plays is not None:
            spoken = read_clip(self._file.folder / remark.plays)
        else:
            voice = self._voices.get(remark.who, Voice(remark.who))
            spoken = self._parts.store.clip_for(remark.text, voice, self._parts.engine)
        level_dbfs = active_level_dbfs(spoken.samples, spoken.rate_hz)
        wanted_dbfs = self._file.session.person_dbfs + remark.gain_db
        return with_gain(spoken, wanted_dbfs - level_dbfs)

    # --- the contacts -----------------------------------------------------------

    def _pressed(self, row: StopRow, contacts: StopContacts) -> bool:
        session = self._session
        if session.now_s <= row.not_before_s or not session.sounding(row.during or "", row.after_s):
            return False
        self._stop(contacts)
        return True

    def _stop(self, contacts: StopContacts) -> None:
        view, reaction_ms = contacts.press_stop()
        measured = {} if reaction_ms is None else {"reaction_ms": reaction_ms}
        self.record.happened("stop_pressed", self._session.now_s, **measured)
        self._session.guard_changed(view)

    def _reset(self, contacts: StopContacts) -> None:
        self.record.happened("reset_pressed", self._session.now_s)
        self._session.guard_changed(contacts.release_and_reset())


def _answers(given: str | list[str | None] | None) -> tuple[str | None, ...]:
    return tuple(given) if isinstance(given, list) else (given,)


def _noise(session_file: SessionFile, seed: int) -> Clip | None:
    setup = session_file.session
    if setup.noise is None:
        return None
    if setup.noise == "shop":
        return shop_noise(NOISE_S, LISTENING_RATE_HZ, seed, level_dbfs=setup.noise_dbfs)
    room = read_clip(session_file.folder / setup.noise)
    level_dbfs = active_level_dbfs(room.samples, room.rate_hz)
    return with_gain(room, setup.noise_dbfs - level_dbfs)


def _clear(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in _KEPT:
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise StoreUnwritable(
            f"The session's files cannot be written: {error.strerror}.", where=str(folder),
            do="Choose another folder with --out.",
        ) from error  # fmt: skip
