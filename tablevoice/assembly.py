"""Puts the parts of one table together from its cell file, and takes them apart again.

Knows which part needs which; starts no audio device and decides nothing. The live
session, the simulated one and the command line's checks all begin here, so that what
is checked is what runs.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime
from types import TracebackType

from tablevoice.book_in_use import ClockOf, no_clock
from tablevoice.cell import Cell
from tablevoice.dialogue.terms import Hold
from tablevoice.errors import (
    EngineFailed,
    FileRefused,
    Problem,
    RecogniserUnavailable,
    StoreUnwritable,
)
from tablevoice.history import History
from tablevoice.history_file import utc_now
from tablevoice.links.delivery import Ledger
from tablevoice.listening.ear import Ear, EarOptions
from tablevoice.listening.endpointing import EndpointOptions
from tablevoice.listening.gate import GateOptions
from tablevoice.listening.recognisers import Recogniser, open_recogniser
from tablevoice.listening.second_opinion import Opinions, SecondOpinion
from tablevoice.listening.tuned_file import tuned_path
from tablevoice.markup import Pieces, escape, parse, pronounced
from tablevoice.model import Clip, EventLines, Line, Phrasebook
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.phrasebook.slots import fill_marked, fillings, marked_texts
from tablevoice.speech.engines import Engine
from tablevoice.speech.preparing import Prepared, Progress, prepare
from tablevoice.speech.store import PreparedStore
from tablevoice.speech.voices import missing_voices, stand_ins
from tablevoice.table import Table

RENDER_WITHIN_S = 10.0
"""For a line rendered when it is said; espeak-ng takes some 20 ms, a hung engine for ever."""

MOST_WORKERS = 4
"""Engines that prepare side by side: each neural one takes some hundred megabytes."""

MOST_FILLINGS = 2_000
"""Texts prepared of one event; an event with more known combinations is rendered as it comes."""


class Voices:
    """The lines of a cell as sound: from the store, or rendered on the spot.

    ``marked`` is a line with its markup; without it the words are said as a line of the
    phrasebook marks them, or as they stand.
    """

    def __init__(self, cell: Cell, engine: Engine, store: PreparedStore) -> None:
        self._cell = cell
        self._engine = engine
        self._store = store
        self.use(cell.phrasebook)

    def use(self, book: Phrasebook) -> None:
        """Say words as ``book`` marks and pronounces them."""
        self._book = book
        self._marks: dict[str, str] | None = None

    def said(self, text: str, marked: str = "") -> Pieces:
        """What the engine gets of a line: its words, marks and pronunciations."""
        return pronounced(parse(marked or self._marks_of(text)), self._book.spoken)

    def _marks_of(self, text: str) -> str:
        if self._marks is None:
            self._marks = marked_texts(self._book, MOST_FILLINGS)
        return self._marks.get(text) or escape(text)

    def clip(
        self, text: str, voice: str, marked: str = "", timeout_s: float = RENDER_WITHIN_S
    ) -> Clip:
        """``text`` in the voice of that name. Raises EngineFailed."""
        said, speaker = self.said(text, marked), self._cell.voices[voice]
        return self._store.clip_for(said, speaker, self._engine, timeout_s)

    def prepared(self, text: str, voice: str, marked: str = "") -> Clip | None:
        """``text`` as it is prepared, ``None`` where it is not.

        Renders nothing. Raises EngineFailed when the engine cannot even tell its version.
        """
        said = self.said(text, marked)
        return self._store.prepared(said, self._cell.voices[voice], self._engine)

    def prepared_s(self, text: str, voice: str) -> float | None:
        """Seconds that ``text`` lasts as it is prepared; as :meth:`prepared`."""
        clip = self.prepared(text, voice)
        return None if clip is None else clip.duration_s

    def give_up(self, voice: str) -> None:
        """End what is being rendered for that voice: nobody wants it any more."""
        self._engine.abandon(self._cell.voices[voice].engine)

    def render(
        self, text: str, voice: str, marked: str = "", timeout_s: float = RENDER_WITHIN_S
    ) -> Clip:
        """``text`` rendered now, stored nowhere. Raises EngineFailed."""
        said, speaker = self.said(text, marked), self._cell.voices[voice]
        return self._store.render(said, speaker, self._engine, timeout_s).clip

    def keep(self, clip: Clip, text: str, voice: str, marked: str = "") -> Problem | None:
        """Store what :meth:`render` gave; what is wrong with the store, if anything is."""
        speaker = self._cell.voices[voice]
        key = self._store.key_of(self.said(text, marked), speaker, self._engine)
        try:
            self._store.put(key, clip)
        except StoreUnwritable as error:
            return error.problem
        return self._store.problem


def local_clock_min(now_s: float) -> float:
    """Minutes after the local midnight, for quiet hours; the session's time is not needed."""
    now = datetime.now()
    return now.hour * 60 + now.minute + now.second / 60


class Assembly:
    """The parts of one table, as a context manager.

    ``remember``: keep the history (and with it which lines were used) in the cell's
    file; without it nothing outlives the session. ``utc_now``: the history's clock, where
    time is not the computer's. ``problems`` are what the table can live with: a damaged
    history that was moved aside, a store in memory only.
    """

    def __init__(
        self, cell: Cell, *, remember: bool = True, utc_now: Callable[[], datetime] = utc_now
    ) -> None:
        self.cell = cell
        self.problems: list[Problem] = []
        self._parts = ExitStack()
        with ExitStack() as opening:
            self.engine = opening.enter_context(Engine())
            self.store = self._open_store()
            self.voices = Voices(cell, self.engine, self.store)
            self.history: History | None = None
            if remember:
                self.history = opening.enter_context(
                    History(cell.history_file, keep_audio_days=cell.keep_audio_days,
                            utc_now=utc_now)
                )  # fmt: skip
                if self.history.problem is not None:
                    self.problems.append(self.history.problem)
            self._parts = opening.pop_all()

    def __enter__(self) -> Assembly:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._parts.close()

    @property
    def default_voice(self) -> str:
        """The voice of lines that name none: the first of the cell."""
        return next(iter(self.cell.voices))

    def missing_voices(self) -> list[Problem]:
        """Voices of the cell that no engine here has."""
        return missing_voices(self.cell.voices, self.engine.names, str(self.cell.path))

    def let_others_speak(self) -> None:
        """Have the first voice that can speak stand in for those that cannot, and say so.

        Raises EngineFailed when none can.
        """
        missing = self.missing_voices()
        if not missing:
            return
        others = stand_ins(self.cell.voices, self.engine.names)
        if not others:
            raise EngineFailed(missing[0].what, where=missing[0].where, do=missing[0].do)
        self.cell = replace(self.cell, voices={**self.cell.voices, **others})
        self.voices = Voices(self.cell, self.engine, self.store)
        self.problems += [
            replace(one, do=f"Until then another voice stands in. {one.do}") for one in missing
        ]

    def spoken_lines(self) -> Iterator[tuple[EventLines, Line, str, str]]:
        """Everything that can be said with known slot values: event, line, text, voice."""
        book = self.cell.phrasebook
        for event in book.events.values():
            for line, _slots, text, voice in fillings(
                event, book.slot_values, MOST_FILLINGS, self.default_voice
            ):
                yield event, line, text, voice

    def prepare(
        self,
        progress: Progress | None = None,
        *,
        book: Phrasebook | None = None,
        look_closely: bool = False,
    ) -> Prepared:
        """Render ahead what the store lacks of the cell's phrasebook, or of ``book``.

        On every core. ``look_closely``: also read what is there. Raises EngineFailed when the
        engine can't start.
        """
        book = self.cell.phrasebook if book is None else book
        lines = (
            (pronounced(parse(fill_marked(line.text, slots)), book.spoken), voice)
            for event in book.events.values()
            for line, slots, _, voice in fillings(
                event, book.slot_values, MOST_FILLINGS, self.default_voice
            )
        )
        return prepare(
            lines, self.cell.voices, self.engine, self.store, progress,
            workers=min(os.cpu_count() or 1, MOST_WORKERS), look_closely=look_closely,
        )  # fmt: skip

    def overlong(self) -> list[tuple[Line, str, float, float]]:
        """Prepared lines that last longer than their event allows: line, text, seconds, limit."""
        found = []
        for event, line, text, voice in self.spoken_lines():
            if event.longest_s is not None:
                duration_s = self.voices.clip(text, voice).duration_s
                if duration_s > event.longest_s:
                    found.append((line, text, duration_s, event.longest_s))
        return found

    @property
    def listens(self) -> bool:
        """Whether this table hears anybody; else answers come from its buttons alone."""
        return self.cell.recogniser.kind != "none"

    def open_recogniser(self) -> Recogniser:
        """The cell's recogniser with every word of the phrasebook checked.

        Raises RecogniserUnavailable naming what is missing, and for a table that does not
        listen. The caller closes it.
        """
        book = self.cell.phrasebook
        choice = self.cell.recogniser
        if not self.listens:
            raise RecogniserUnavailable(
                "this table listens to nobody.", where=f"{self.cell.path}: recogniser.kind",
                do="Answers come from its buttons. Name a recogniser to have it listen.",
            )  # fmt: skip
        recogniser = open_recogniser(
            choice.kind, choice.model, language=book.language, pronunciations=book.pronunciations
        )
        try:
            recogniser.set_phrases(spoken_phrases(book))
        except RecogniserUnavailable:
            recogniser.close()
            raise
        self._parts.callback(recogniser.close)
        return recogniser

    def open_ear(self, latency_s: float = 0.05, opinions: Opinions = "both") -> Ear:
        """An ear on the cell's recogniser; ``latency_s`` is that of loudspeaker to microphone.

        ``opinions``: who is heard about a sound; ``both`` is the grammar alone where the cell
        has no tuned file. Raises RecogniserUnavailable for ``second_opinion`` without one.
        """
        second = None if opinions == "grammar" else self.open_second_opinion(opinions)
        options = EarOptions(
            endpoint=EndpointOptions(silence_s=self.cell.listening.silence_s),
            gate=replace(GateOptions(), latency_s=latency_s),
        )
        return Ear(self.open_recogniser(), options, second)

    def open_second_opinion(self, opinions: Opinions = "both") -> SecondOpinion | None:
        """The cell's second opinion; ``None`` where it has no tuned file.

        With ``both`` a table goes on without one that is damaged or out of date: that is among
        the ``problems`` then. With ``second_opinion`` it raises FileRefused or
        RecogniserUnavailable.
        """
        book = self.cell.phrasebook
        path = self.cell.listening.tuned or tuned_path(self.cell.path)
        if self.cell.listening.tuned is None and not path.exists():
            if opinions == "both":
                return None
            raise RecogniserUnavailable(
                "this cell has no tuned file, so there is no second opinion.",
                where=str(self.cell.path), do="Make one: tablevoice tune CELL.YAML.",
            )  # fmt: skip
        alone = opinions == "second_opinion"
        try:
            return SecondOpinion(path, spoken_phrases(book), book.pronunciations, alone=alone)
        except FileRefused as refused:
            if alone:
                raise
            self.problems.extend(refused.problems)
            return None

    def open_table(
        self, seed: int, book: Phrasebook | None = None, *, clock: ClockOf = no_clock
    ) -> Table:
        """The table, with its memory of used lines and of a hold that is still in force.

        Begin the history's session before: its number begins that of each utterance. ``clock``
        tells the time of the day, for quiet hours.
        """
        book = self.cell.phrasebook if book is None else book
        history = self.history
        if history is not None and history.session is None:
            raise RuntimeError("begin the history's session before its table is opened")
        spent = history.spent() if history is not None else ()
        taken = history.taken() if history is not None else ()
        held = history.hold_in_force() if history is not None else None
        session = (history.session or 0) if history is not None else 0
        chooser = Chooser(book, seed, spent, session=session)
        if history is not None:
            # Against the whole phrasebook: a line left out today may be back tomorrow.
            history.keep_only_spent(Chooser(self.cell.phrasebook, seed, spent).rows())
        return Table(
            self.cell.table,
            book,
            chooser,
            default_voice=self.default_voice,
            thresholds=self.cell.listening,
            hold=Hold(held, 0.0) if held is not None else None,
            guarded=self.cell.guard is not None,
            session=session,
            clock=clock,
            ledger=Ledger(taken, self.cell.links.lasting_doors),
        )

    def _open_store(self) -> PreparedStore:
        try:
            return PreparedStore(
                self.cell.store_folder, self.cell.store_max_mb, loudness=self.cell.loudness
            )
        except StoreUnwritable as error:
            self.problems.append(error.problem)
            return PreparedStore(None, 0, loudness=self.cell.loudness)


def within_limits(book: Phrasebook, overlong: Callable[[Line], bool]) -> Phrasebook:
    """The phrasebook without lines that last too long for their event.

    An event whose lines are all too long keeps them: too long is better than silent.
    """
    events = {}
    for name, event in book.events.items():
        kept = tuple(line for line in event.lines if not overlong(line))
        events[name] = replace(event, lines=kept or event.lines)
    return replace(book, events=events)
