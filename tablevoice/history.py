"""What was said, heard, decided and held, in one SQLite file that survives a pulled plug.

Every ``record_…`` is on the disk when it returns (WAL, ``synchronous=FULL``). Knows
tables and rows, not what they mean to a dialogue; the session calls it, always from
the one thread that opened it, since a commit may wait for a slow disk.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any

from tablevoice import heard_rows, spent_rows, taken_rows
from tablevoice.errors import AudioUnavailable, Problem, SoundUnkept, StoreUnwritable
from tablevoice.heard_rows import Example, PastUtterance
from tablevoice.history_file import (
    BUSY_S,
    SCHEMA_STEPS,
    iso,
    keep_from_others,
    open_sound,
    start_anew,
    transaction,
    unwritable,
    upgrade,
    utc_now,
)
from tablevoice.model import (
    LISTENING_RATE_HZ,
    Clip,
    Event,
    Heard,
    Match,
    Reason,
    Spent,
    Taken,
    Utterance,
    Verdict,
)

HURRIED_S = 0.1
"""How long a session waits for the lock each time; what waits is tried again."""

FORGET_EVERY = timedelta(hours=1)
"""How often, while sound is being kept, sound that is too old is looked for."""

KINDS = ("event", "said", "heard", "decided", "hold", "problem")


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session. ``ended_utc`` is ``None`` while it runs, or after the plug was pulled."""

    id: int
    table: str
    program_version: str
    started_utc: str
    ended_utc: str | None
    how_ended: str | None


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of a session: ``at_s`` on the session's clock, ``utc`` as ISO 8601 text."""

    kind: str
    at_s: float
    utc: str
    fields: Mapping[str, Any]


class History:
    """The history at ``path``, made when it is not there yet.

    ``keep_audio_days``: how long a person's sound is kept beside the database; 0, the
    default, keeps none. ``problem`` tells, after opening, of a damaged history that
    was moved aside. Raises :class:`StoreUnwritable` when nothing can be recorded here;
    a failed ``record_…`` raises the same and leaves all earlier rows as they were.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        keep_audio_days: float = 0,
        utc_now: Callable[[], datetime] = utc_now,
        busy_s: float = BUSY_S,
        schema_steps: Sequence[str] = SCHEMA_STEPS,
    ) -> None:
        if not 0 <= keep_audio_days < math.inf:
            raise ValueError(f"keep_audio_days must be 0 or more, not {keep_audio_days!r}")
        self.path = Path(path)
        self.audio_folder = self.path.with_name(f"{self.path.stem}_audio")
        self.problem: Problem | None = None
        self.session: int | None = None
        self._keep_audio_days = keep_audio_days
        self.utc_now = utc_now
        self._busy_s = busy_s
        self._moment: datetime | None = None
        self._clips_kept = 0
        self._forgot: datetime | None = None
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._unwritable(str(error.strerror or error)) from error
        keep_from_others(self.path, self.audio_folder)
        with self._writing():
            self._db = open_sound(self.path, busy_s) or self._start_anew(busy_s)
            try:
                upgrade(self._db, self.path, tuple(schema_steps))
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> History:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if self.session is not None:
                self.end_session("closed" if error is None else type(error).__name__)
        finally:
            self.close()

    def close(self) -> None:
        self._db.close()

    # --- sessions ---------------------------------------------------------------

    def begin_session(self, table: str, program_version: str) -> int:
        """Begin a session, forget audio that is too old, and give the session's number."""
        if self.session is not None:
            raise RuntimeError("a session is already being recorded")
        with self._writing():
            cursor = self._db.execute(
                "INSERT INTO session (table_name, program_version, started_utc) VALUES (?, ?, ?)",
                (table, program_version, iso(self._now())),
            )
        if cursor.lastrowid is None:
            raise AssertionError("SQLite gave no row number for an insert")
        self.session = cursor.lastrowid
        self._clips_kept = 0
        self.forget_old_audio(self._now())
        return self.session

    def end_session(self, how: str = "closed") -> None:
        with self._writing():
            self._db.execute(
                "UPDATE session SET ended_utc = ?, how_ended = ? WHERE id = ?",
                (iso(self._now()), how, self._running()),
            )
        self.session = None

    # --- recording --------------------------------------------------------------

    def happened(self, moment: datetime | None) -> None:
        """What is recorded next happened then; ``None``: now."""
        self._moment = moment

    def hurry(self, *, patient: bool = False) -> None:
        """From now on wait only a moment for another program that has the file locked.

        ``patient``: wait again for as long as at the opening.
        """
        wait_s = self._busy_s if patient else min(HURRIED_S, self._busy_s)
        with self._writing():
            self._db.execute(f"PRAGMA busy_timeout = {round(1000 * wait_s)}")

    def _now(self) -> datetime:
        return self.utc_now() if self._moment is None else self._moment

    def record_event(self, at_s: float, event: Event) -> None:
        slots = json.dumps(dict(event.slots), ensure_ascii=False)
        self._record("event", at_s, event_id=event.id, event=event.name, slots=slots)

    def record_said(
        self,
        at_s: float,
        utterance: Utterance,
        outcome: str,
        *,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> None:
        """What became of a line: ``said``, ``cut``, ``expired`` or ``dropped``."""
        self._record(
            "said", at_s, utterance_id=utterance.id, event_id=utterance.event_id,
            event=utterance.event, line_key=utterance.line_key, voice=utterance.voice,
            text=utterance.text, outcome=outcome, start_s=start_s, end_s=end_s,
            note=utterance.note,
        )  # fmt: skip

    def record_withheld(self, at_s: float, event: Event, why: str) -> None:
        """An event for which taste left nothing to say, and the rule that did."""
        nobody = dict.fromkeys(("utterance_id", "line_key", "voice", "text"), "")
        self._record("said", at_s, **nobody, event_id=event.id, event=event.name,
                     outcome="withheld", note=why)  # fmt: skip

    def record_heard(
        self,
        at_s: float,
        heard: Heard,
        match: Match,
        verdict: Verdict,
        audio: Clip | None = None,
        *,
        utterance: str = "",
        reason: Reason = Reason(""),
    ) -> None:
        """What was heard, how it was judged and why; ``audio`` is kept only if so configured.

        ``utterance`` is its number, new in this history; without one it cannot be referred to.
        """
        fields = heard_rows.fields_of(heard, match, verdict, utterance, reason)
        self._record("heard", at_s, **fields, audio_file=self._keep(audio))

    def record_decided(
        self,
        at_s: float,
        *,
        event_id: str,
        question: str,
        value: str | None,
        how: str,
        certainty: float,
        tries: int,
    ) -> None:
        self._record("decided", at_s, event_id=event_id, question=question, value=value, how=how,
                     certainty=certainty, tries=tries)  # fmt: skip

    def record_hold_requested(
        self, at_s: float, *, kind: str, phrase: str, certainty: float
    ) -> None:
        self._record(
            "hold", at_s, change="requested", kind=kind, phrase=phrase, certainty=certainty
        )

    def record_hold_cleared(self, at_s: float, *, kind: str, cleared_by: str) -> None:
        self._record("hold", at_s, change="cleared", kind=kind, cleared_by=cleared_by)

    def record_problem(self, at_s: float, problem: Problem) -> None:
        self._record("problem", at_s, what=problem.what, place=problem.where, advice=problem.do)

    # --- the chooser's memory ---------------------------------------------------

    def remember_spent(self, spent: Spent) -> None:
        """Remember a line before it sounds; of one line and voice only the newest row stays.

        So the table of a year is no larger than the phrasebook, and lines whose
        conditions come up rarely keep their round.
        """
        with self._writing():
            spent_rows.remember(self._db, spent, self._now())

    def keep_only_spent(self, rows: Iterable[Spent]) -> None:
        """Forget spent lines other than ``rows``: those that the phrasebook no longer has."""
        with self._writing(), transaction(self._db):
            spent_rows.keep_only(self._db, rows, self._now())

    def spent(self) -> tuple[Spent, ...]:
        """All that is remembered of spent lines, in the order in which they were spent.

        Their ``at_s`` is seen from now: the clock of a session that begins now.
        """
        with self._writing():
            return spent_rows.read(self._db, self._now())

    # --- what senders may send again --------------------------------------------

    def take_down(self, taken: Taken) -> None:
        with self._writing():
            taken_rows.write(self._db, taken, self._now())

    def taken(self) -> tuple[Taken, ...]:
        """The events of the last day that are not to be taken again, oldest first."""
        with self._writing():
            return taken_rows.read(self._db, self._now())

    # --- looking back -----------------------------------------------------------

    def sessions(self, last: int = 10) -> tuple[SessionRow, ...]:
        """The last sessions, newest first."""
        with self._writing():
            rows = self._db.execute(
                "SELECT id, table_name, program_version, started_utc, ended_utc, how_ended"
                " FROM session ORDER BY id DESC LIMIT ?",
                (last,),
            ).fetchall()
        return tuple(SessionRow(*row) for row in rows)

    def entries(
        self, session: int, kinds: Sequence[str] = KINDS, last: int | None = None
    ) -> tuple[Entry, ...]:
        """The entries of a session in time order; only the ``last`` so many when given."""
        unknown = sorted(set(kinds) - set(KINDS))
        if unknown:
            raise ValueError(f"no such kinds of entry: {unknown}; there are {KINDS}")
        limit = -1 if last is None else last  # SQLite: a negative limit is none
        found: list[tuple[float, str, int, Entry]] = []
        with self._writing():
            for kind in kinds:
                cursor = self._db.execute(
                    f"SELECT * FROM {kind} WHERE session = ? ORDER BY at_s DESC, id DESC LIMIT ?",
                    (session, limit),
                )
                columns = [column[0] for column in cursor.description]
                for row in cursor:
                    fields = dict(zip(columns, row, strict=True))
                    row_id = fields.pop("id")
                    del fields["session"]
                    at_s, utc = fields.pop("at_s"), fields.pop("utc")
                    entry = Entry(kind, at_s, utc, MappingProxyType(fields))
                    found.append((at_s, utc, row_id, entry))
        found.sort(key=lambda item: item[:3])
        entries = tuple(entry for *_, entry in found)
        return entries if last is None else entries[max(0, len(entries) - last) :]

    def utterances(self, session: int, last: int | None = None) -> tuple[Entry, ...]:
        """What the table said and what it heard in a session, in time order."""
        return self.entries(session, ("said", "heard"), last)

    def hold_in_force(self) -> str | None:
        """The kind of a hold that was requested and never cleared, over any restart."""
        with self._writing():
            row = self._db.execute(
                "SELECT change, kind FROM hold ORDER BY id DESC LIMIT 1"
            ).fetchone()
        return row[1] if row is not None and row[0] == "requested" else None

    # --- what was heard, and what it was in truth -------------------------------

    def utterance(self, number: str) -> PastUtterance | None:
        """What was heard under that number, ``None`` where nothing was."""
        with self._writing():
            return heard_rows.find(self._db, number)

    def last_heard(self, how_many: int = 10) -> tuple[PastUtterance, ...]:
        """The last utterances of all sessions, oldest first."""
        with self._writing():
            return heard_rows.last(self._db, how_many)

    def correct(self, number: str, said: str | None) -> PastUtterance | None:
        """Mark a verdict as wrong: ``said`` in truth, ``""`` for nothing, ``None`` unknown.

        Gives the corrected utterance; ``None`` where there is none of that number.
        """
        with self._writing():
            heard_rows.correct(self._db, number, said, iso(self._now()))
            return heard_rows.find(self._db, number)

    def corrections(self) -> int:
        """How many verdicts were marked wrong, those without sound included."""
        with self._writing():
            return heard_rows.corrections(self._db)

    def corrected(self) -> list[Example]:
        """The corrections that can be learnt from: those whose sound may still be kept.

        Raises :class:`AudioUnavailable` for a sound file that was spoilt.
        """
        oldest = self._oldest_kept(self._now())
        with self._writing():
            files = heard_rows.corrected_files(self._db, iso(oldest))
        if not self._keep_audio_days:
            return []
        from tablevoice.audio.clip_files import read_clip, to_rate

        return [
            Example(number, to_rate(read_clip(path), LISTENING_RATE_HZ).samples, said)
            for number, file, said in files
            if (path := self.audio_folder / file).exists()
        ]

    # --- a person's sound -------------------------------------------------------

    def forget_old_audio(self, now: datetime) -> int:
        """Delete sound older than the days it may be kept, and give how many files went.

        With ``keep_audio_days`` 0 all of it goes. The words stay in the history.
        """
        oldest = self._oldest_kept(now)
        self._forgot = now
        with self._writing():
            kept = self._db.execute(
                "SELECT audio_file FROM heard WHERE audio_file IS NOT NULL AND utc > ?",
                (iso(oldest),),
            ).fetchall()
        keep = {name for (name,) in kept} if self._keep_audio_days else set()
        gone = 0
        # By folder, not by row: a file whose row never came to be is deleted as well.
        for file in self.audio_folder.glob("heard-*.flac*"):
            if file.name not in keep:
                try:
                    file.unlink(missing_ok=True)
                except OSError as error:
                    raise self._unwritable(f"cannot delete {file.name}: {error}") from error
                gone += 1
        with self._writing():
            self._db.execute(
                "UPDATE heard SET audio_file = NULL WHERE audio_file IS NOT NULL AND"
                " (utc <= ? OR ?)",
                (iso(oldest), not self._keep_audio_days),
            )
        return gone

    def tidy(self) -> None:
        """Forget what is too old by now; for a session that goes on while nobody speaks."""
        self.forget_old_audio(self._now())

    def _oldest_kept(self, now: datetime) -> datetime:
        return now.astimezone(timezone.utc) - timedelta(days=self._keep_audio_days)

    def _keep(self, audio: Clip | None) -> str | None:
        if audio is None or not self._keep_audio_days:
            return None
        now = self._now()
        if self._forgot is None or now - self._forgot >= FORGET_EVERY:
            self.forget_old_audio(now)  # a table that runs for months keeps its promise too
        # Here, so that a history without sound needs no sound library.
        from tablevoice.audio.clip_files import write_clip

        self._clips_kept += 1
        name = f"heard-{self._running():06d}-{self._clips_kept:05d}.flac"
        try:
            self.audio_folder.mkdir(mode=0o700, exist_ok=True)
            write_clip(self.audio_folder / name, audio)
        except (OSError, AudioUnavailable) as error:
            problem = self._unwritable(f"cannot keep {name}: {error}").problem
            raise SoundUnkept(problem.what, where=problem.where, do=problem.do) from error
        return name

    # --- the database -----------------------------------------------------------

    def _running(self) -> int:
        if self.session is None:
            raise RuntimeError("no session is being recorded; call begin_session first")
        return self.session

    def _record(self, table: str, at_s: float, /, **fields: object) -> None:
        for name, value in {"at_s": at_s, **fields}.items():
            if isinstance(value, float) and not math.isfinite(value):
                raise ValueError(f"{table}.{name} must be a finite number, not {value!r}")
        row = {
            "session": self._running(),
            "at_s": at_s,
            "utc": iso(self._now()),
            **fields,
        }
        marks = ", ".join("?" * len(row))
        with self._writing():
            self._db.execute(
                f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values())
            )

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Turn what SQLite says about the file into the one error for it."""
        try:
            yield
        except (sqlite3.ProgrammingError, sqlite3.IntegrityError):
            raise  # a mistake in the program, not in the store
        except sqlite3.DatabaseError as error:
            raise self._unwritable(str(error)) from error

    @contextmanager
    def together(self) -> Iterator[None]:
        """Put what is recorded within on the disk at once: one wait instead of many.

        Until it ends nothing of it is safe; when it fails none of it is kept.
        """
        with self._writing(), transaction(self._db):
            yield

    def _unwritable(self, reason: str) -> StoreUnwritable:
        return unwritable(self.path, reason)

    def _start_anew(self, busy_s: float) -> sqlite3.Connection:
        fresh, self.problem = start_anew(self.path, self._now(), busy_s)
        return fresh
