"""Everything a session leaves behind: ``session.jsonl``, captions and the history.

Knows the files, not the table: drivers hand it each message in and out and each spent
line, before the line sounds, and tell it when one sounds. A folder that cannot be written is one
clear error at the start; a disk that fills up later is reported once and never stops the table,
and what the history does not take meanwhile is written down when it does.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import datetime, timezone
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from tablevoice.actions import CorrectVerdict, Judgement, Send, Spend, TakeDown
from tablevoice.captions import CaptionFile, Cue
from tablevoice.errors import Problem, SoundUnkept, StoreUnwritable
from tablevoice.heard_rows import PastUtterance, why_not_learnt
from tablevoice.history import History
from tablevoice.history_backlog import HistoryBacklog
from tablevoice.links import messages
from tablevoice.model import LISTENING_RATE_HZ, Clip, Event, Utterance


class Record:
    """The record of one session, into ``folder`` (``None``: no files) and ``history``.

    ``captions``: a file that a screen shows while the table runs; it begins anew with each
    session. It and the folder's ``captions.vtt`` bear ``title`` and ``language`` (a BCP 47
    tag). Raises :class:`StoreUnwritable` when the folder or that file cannot be written to.
    ``problems`` collects what went wrong later.
    """

    def __init__(
        self,
        folder: Path | None,
        history: History | None = None,
        *,
        title: str = "",
        language: str = "",
        captions: Path | None = None,
    ) -> None:
        self.folder = folder
        self.problems: list[Problem] = []
        self._busy_since_s: float | None = None
        self._history = None if history is None else HistoryBacklog(history, self.problems.append)
        self._rows: IO[str] | None = None
        self._captions: list[CaptionFile] = []
        with ExitStack() as opening:
            if folder is not None:
                self._rows = opening.enter_context(_open(folder / "session.jsonl"))
                self._caption(folder / "captions.vtt", title, language, opening)
            if captions is not None:
                self._caption(captions, title, language, opening, anew=True)
            opening.pop_all()

    def __enter__(self) -> Record:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def behind(self) -> bool:
        """Something waits until the history takes it; ``together`` tries again."""
        return self._history is not None and self._history.behind

    @property
    def history_problem(self) -> str:
        """Why the history is not being kept just now; empty while it is."""
        return "" if self._history is None else self._history.refused

    def received(self, message: messages.Inbound, at_s: float) -> None:
        """A message of the controller."""
        self._write({"from": "cell", "at_s": at_s, **message.model_dump()})
        match message:
            case messages.EventReported():
                event = Event(message.id, message.event, message.slots)
                self._remember(lambda history: history.record_event(at_s, event))
            case messages.HoldClearedReported():
                self._remember(
                    lambda history: _hold_cleared(history, at_s, message.by), needed=True
                )
            case _:
                pass

    def sounding(self, utterance: Utterance, start_s: float, end_s: float) -> None:
        """A line begins to sound, and should be over at ``end_s``: the captions show it now."""
        cue = Cue(utterance.voice, start_s, end_s, utterance.text)
        self._in_captions(lambda captions: captions.begin(utterance.id, cue))

    def sent(self, sent: Send) -> None:
        """A message of the table."""
        message, about = sent.message, sent.about
        self._write({"from": "table", **message.model_dump()})
        if sent.again:
            return
        match message, about:
            case messages.Said(), Utterance():
                self._said(message, about)
            case messages.Done(why=why), Event() if why:
                self._remember(
                    lambda history: history.record_withheld(message.at_s, about, why)
                )
            case messages.HeardReported(), Judgement(heard, found, verdict, utterance, reason):
                sound = None if heard.samples is None else Clip(heard.samples, LISTENING_RATE_HZ)

                def write(history: History, sound: Clip | None = sound) -> None:
                    history.record_heard(message.at_s, heard, found, verdict, sound,
                                         utterance=utterance, reason=reason)  # fmt: skip

                self._remember(lambda history: self._with_sound(history, write))
            case messages.AnswerGiven(), _:
                self._remember(
                    lambda history: history.record_decided(
                        message.at_s, event_id=message.id, question=message.question,
                        value=message.value, how=message.how, certainty=message.certainty,
                        tries=message.tries,
                    )
                )  # fmt: skip
            case messages.HoldRequest(), _:
                self._remember(
                    lambda history: history.record_hold_requested(
                        message.at_s, kind=message.kind, phrase=message.phrase,
                        certainty=message.certainty,
                    ),
                    needed=True,
                )  # fmt: skip
            case messages.GuardReported() as news, _ if not news.armed:
                seen = Problem(f"stop guard: {news.state}. {news.why}", ", ".join(news.causes))
                self._remember(lambda history: history.record_problem(news.at_s, seen))
            case messages.ErrorReported(), _:
                problem = Problem(message.what, message.where, message.do)
                self._remember(lambda history: history.record_problem(message.at_s, problem))
            case _:
                pass

    def correct(self, correction: CorrectVerdict, at_s: float) -> messages.Outbound:
        """Note a correction in the history; gives the reply to the controller."""
        past: PastUtterance | None = None
        try:
            if self._history is not None:
                past = self._history.now(
                    lambda history: history.correct(correction.utterance, correction.said)
                )
            reply = _reply(past, correction, at_s)
        except StoreUnwritable as error:
            problem = error.problem
            reply = messages.ErrorReported(at_s=at_s, what=problem.what, where=problem.where,
                                           do=problem.do, id=correction.message_id)  # fmt: skip
        self._write({"from": "table", **reply.model_dump()})
        return reply

    def person_said(self, who: str, text: str, start_s: float, end_s: float) -> None:
        """What a simulated person really said; a real session cannot know it."""
        row = {"from": "room", "type": "person_said", "at_s": start_s, "who": who, "text": text}
        self._write({**row, "start_s": start_s, "end_s": end_s})

    def happened(self, what: str, at_s: float, **more: float) -> None:
        """Something at the cell that a simulated session knows of from outside."""
        self._write({"from": "cell", "type": what, "at_s": at_s, **more})

    def tidy(self) -> None:
        """Delete a person's sound whose days are over; called now and then, whoever speaks."""
        self._remember(lambda history: history.tidy())

    @property
    def busy_s(self) -> float:
        """How long the write that is under way has taken; may be asked from any thread."""
        since_s = self._busy_since_s
        return 0.0 if since_s is None else max(0.0, time.monotonic() - since_s)

    def note(self, action: Spend | TakeDown) -> None:
        """A line or an event was taken; written down before anything sounds."""
        if isinstance(action, Spend):
            self._remember(lambda history: history.remember_spent(action.spent), needed=True)
        else:
            self._remember(lambda history: history.take_down(action.taken), needed=True)

    @contextmanager
    def together(self) -> Iterator[None]:
        """Bring what is recorded within, and what still waits, to the disk with one wait."""
        self._busy_since_s = time.monotonic()
        try:
            if self._history is None:
                yield
            else:
                with self._history.together():
                    yield
        finally:
            self._busy_since_s = None

    def close(self) -> None:
        """Finish the files; harmless when done already."""
        if self._history is not None:
            self._history.close()
            self._history = None
        if self._rows is not None:
            self._rows.close()
            self._rows = None
        for captions in self._captions:
            captions.close()
        self._captions = []

    def _said(self, message: messages.Said, utterance: Utterance) -> None:
        if message.start_s is not None and message.end_s is not None:
            self._over(utterance, message.start_s, message.end_s)
        self._remember(
            lambda history: history.record_said(
                message.at_s, utterance, message.said,
                start_s=message.start_s, end_s=message.end_s,
            )
        )  # fmt: skip

    def _over(self, utterance: Utterance, start_s: float, end_s: float) -> None:
        def finish(captions: CaptionFile) -> None:
            if not captions.end(utterance.id, end_s):
                captions.begin(utterance.id, Cue(utterance.voice, start_s, end_s, utterance.text))
                captions.end(utterance.id, end_s)

        self._in_captions(finish)

    def _in_captions(self, write: Callable[[CaptionFile], None]) -> None:
        for captions in tuple(self._captions):
            try:
                write(captions)
            except OSError as error:
                self._failed("The captions", captions.path, error)
                self._captions.remove(captions)  # the table goes on; what was written stays
                captions.close()

    def _caption(
        self, path: Path, title: str, language: str, opening: ExitStack, *, anew: bool = False
    ) -> None:
        try:
            captions = CaptionFile(path, title=title, language=language, anew=anew)
        except OSError as error:
            raise _unwritable("The captions", path, error) from error
        self._captions.append(opening.enter_context(captions))

    def _remember(self, write: Callable[[History], None], *, needed: bool = False) -> None:
        if self._history is not None:
            self._history.add(write, needed=needed)

    def _with_sound(self, history: History, write: Callable[..., None]) -> None:
        try:
            write(history)
        except SoundUnkept as error:  # the words are worth keeping without it
            if error.problem not in self.problems:
                self.problems.append(error.problem)
            write(history, None)

    def _write(self, row: Mapping[str, Any]) -> None:
        if self._rows is None:
            return
        rounded = {k: round(v, 3) if isinstance(v, float) else v for k, v in row.items()}
        try:
            self._rows.write(json.dumps(rounded, ensure_ascii=False) + "\n")
            self._rows.flush()
        except OSError as error:
            self._failed("The record", Path(self._rows.name), error)
            self._rows = None  # the table goes on; what was written stays

    def _failed(self, what: str, path: Path, error: OSError) -> None:
        reason = os.strerror(error.errno) if error.errno else str(error)
        self.problems.append(
            Problem(f"{what} ended: {reason}.", str(path),
                    "Make room on the disk; the session went on without it.")
        )  # fmt: skip


def _reply(
    past: PastUtterance | None, correction: CorrectVerdict, at_s: float
) -> messages.Outbound:
    if past is None:
        return messages.ErrorReported(
            at_s=at_s, what=f"The history has no utterance {correction.utterance!r}.",
            where="correct, utterance", id=correction.message_id,
            do="Give the utterance of a message heard; it begins with the session's number.",
        )  # fmt: skip
    why_not = why_not_learnt(past)
    return messages.Corrected(
        at_s=at_s, utterance=past.utterance, learns=not why_not, why_not=why_not,
        id=correction.message_id,
    )  # fmt: skip


def _hold_cleared(history: History, at_s: float, by: str) -> None:
    kind = history.hold_in_force()
    if kind is not None:
        history.record_hold_cleared(at_s, kind=kind, cleared_by=by)


def new_folder_name() -> str:
    """A folder for the session that begins now; names sort by time."""
    return datetime.now(timezone.utc).strftime("%Y%m%dT%H%M%S.%fZ")


def _open(path: Path) -> IO[str]:
    """A new file for its owner alone, as is the folder if it is new: people's words go in."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        return open(path, "x", encoding="utf-8", opener=_for_its_owner)
    except FileExistsError as error:
        raise StoreUnwritable(
            "There is a record of another session already.",
            where=str(path),
            do="Choose another folder, or move the old record away.",
        ) from error
    except OSError as error:
        raise _unwritable("The record", path, error) from error


def _for_its_owner(name: str, flags: int) -> int:
    return os.open(name, flags, 0o600)


def _unwritable(what: str, path: Path, error: OSError) -> StoreUnwritable:
    return StoreUnwritable(
        f"{what} cannot be written: {error.strerror}.", where=str(path),
        do="Choose another folder, or make this one writable.",
    )  # fmt: skip
