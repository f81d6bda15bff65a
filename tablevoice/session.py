"""A live session: one table with a real loudspeaker and a real microphone.

Drives a :class:`tablevoice.table.Table` on one asyncio loop, which never waits: one
thread owns the loudspeaker, one the microphone; recognition, rendering and the record
(a disk may be slow) each have a thread of their own beside the loop. Links come and go
outside: they call :meth:`Session.receive` and are told every message of the table.
"""

from __future__ import annotations

import asyncio
import itertools
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TypeAlias

from tablevoice import __version__
from tablevoice.actions import (
    Action,
    AskHold,
    CorrectVerdict,
    CutShort,
    Send,
    Sound,
    Spend,
    TakeDown,
)
from tablevoice.assembly import Assembly, local_clock_min, within_limits
from tablevoice.audio.loudspeaker import Loudspeaker
from tablevoice.audio.microphone import Microphone
from tablevoice.cell import Cell
from tablevoice.dialogue.terms import Phase
from tablevoice.edited_book import EditedBook, another_ear, let_go, make_ready
from tablevoice.errors import AudioUnavailable, MessageRefused, Problem, TablevoiceError
from tablevoice.history_file import utc_now
from tablevoice.kept_ear import KeptEar
from tablevoice.line_rendering import LineRendering
from tablevoice.links import messages
from tablevoice.links.delivery import Arrival, sent_ago_s
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.links.stop_guard import StopGuardLink, start_guard, status_address
from tablevoice.live_ear import Listeners
from tablevoice.model import Clip, GuardView, Heard, Priority, SlotValue, TableView, Utterance
from tablevoice.record_thread import RecordThread
from tablevoice.session_records import Record, new_folder_name
from tablevoice.speech.preparing import Progress, first_of
from tablevoice.vitals import Vitals, vitals_of

Told: TypeAlias = Callable[[Outbound], None]
"""Called on the session's loop with each message of the table; must return soon."""

TIDY_EVERY_S = 3600.0
"""How often sound whose days are over is looked for, whether or not anybody speaks."""


class Session:
    """One open table, an async context manager. Use it from the loop that opened it.

    ``told`` is called with every message, ``overheard`` with what peers sent. ``record_folder``
    overrules the cell's (each session gets a folder of its own in it). ``progress`` follows the
    preparation of lines. Opening raises TablevoiceError when this table cannot open.
    """

    def __init__(
        self,
        cell: Cell,
        told: Told = lambda message: None,
        *,
        overheard: Callable[[Inbound], None] = lambda message: None,
        record_folder: Path | None = None,
        progress: Progress | None = None,
        seed: int | None = None,
    ) -> None:
        self.cell = cell
        self.closed = asyncio.Event()
        self._told, self._overheard = told, overheard
        self._folder = record_folder if record_folder is not None else cell.record_folder
        self._progress = progress
        self._seed = time.time_ns() if seed is None else seed
        self._numbers = itertools.count(1)
        self._waiting: dict[str, asyncio.Future[messages.AnswerGiven | messages.Done]] = {}
        self._changed = asyncio.Event()
        self._parts_open = ExitStack()
        self._keeper = RecordThread(self._not_kept)
        self._current: str | None = None
        self._guard: StopGuardLink | None = None
        self._guard_started = False
        self._stopping = threading.Event()
        self._ear: KeptEar | None = None
        self._editing = ThreadPoolExecutor(1, "editing")
        self._edit: EditedBook | None = None
        self._edits_open = ExitStack()

    async def __aenter__(self) -> Session:
        self._loop = asyncio.get_running_loop()
        try:
            # The history belongs to the thread that opens it.
            await self._keeper.run(self._open)
        except BaseException:
            self._keeper.close()
            raise
        self._ticking = self._loop.create_task(self._tick())
        if self._ear is not None:
            self._ear.start(self._began_s)
        self._tidy()
        self._carry_out(self._table.opened(__version__, self.now_s))
        for problem in self._parts.problems:
            self._report(problem)
        if self._guard is not None:
            self._parts_open.enter_context(self._guard)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if not self.closed.is_set():
                self.receive(messages.Close())
        finally:
            self._stopping.set()
            self._tidying.cancel()
            self._ticking.cancel()
            await asyncio.gather(self._ticking, return_exceptions=True)
            if self._ear is not None:
                self._ear.stop()
                await self._loop.run_in_executor(None, self._ear.join)
            self._editing.shutdown(wait=False, cancel_futures=True)
            self._drop_edit()
            self._edits_open.close()
            await self._keeper.run(self._parts_open.close)
            self._keeper.close()

    def _open(self) -> None:
        with ExitStack() as opening:
            self._open_parts(opening)
            self._parts_open = opening.pop_all()

    def _open_parts(self, opening: ExitStack) -> None:
        self._parts = opening.enter_context(Assembly(self.cell))
        self._parts.let_others_speak()
        self.cell = self._parts.cell
        self._parts.problems += first_of(self._parts.prepare(self._progress).problems)
        overlong = {line.key for line, *_ in self._parts.overlong()}
        book = within_limits(self.cell.phrasebook, lambda line: line.key in overlong)
        if self._parts.history is not None:
            self._parts.history.begin_session(self.cell.table, __version__)
        self._table = self._parts.open_table(self._seed, book, clock=local_clock_min)
        folder = self._folder and self._folder / new_folder_name()
        named = self.cell.phrasebook
        self._record = opening.enter_context(
            Record(folder, self._parts.history, title=named.title, language=named.language,
                   captions=self.cell.captions)
        )  # fmt: skip
        self._keeper.use(self._record)
        speaker = self.cell.loudspeaker
        self._loudspeaker = opening.enter_context(
            Loudspeaker(speaker.device, speaker.latency, on_lost=self._lost)
        )
        if self._parts.listens:
            self._open_ear(opening)
        self._rendering = opening.enter_context(LineRendering(self._parts.voices, self._lost))
        if self.cell.guard is not None:
            self._guard = StopGuardLink(status_address(self.cell.guard), self._guard_says)
        self._began_s = time.monotonic()

    def _open_ear(self, opening: ExitStack) -> None:
        chosen = self.cell.microphone
        microphone = opening.enter_context(
            Microphone(chosen.device, chosen.latency, on_lost=self._lost)
        )
        told = Listeners(
            heard=lambda heard: self._on_loop(self._hear, heard),
            sound_began=lambda: self._on_loop(self._sound_began),
            problem=self._lost,
        )
        ear = self._parts.open_ear(latency_s=self._latency_s)
        self._ear = KeptEar(microphone, ear, self._loudspeaker, told,
                            lambda: another_ear(self.cell, self._latency_s))  # fmt: skip
        # Last opened, first closed: the microphone thread ends before the ear goes.
        opening.callback(microphone.close)

    @property
    def _latency_s(self) -> float:
        """From the loudspeaker to the microphone."""
        return 0.05 + self._loudspeaker.latency_s

    # --- what links call --------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Seconds since the session began."""
        return time.monotonic() - self._began_s

    @property
    def idle(self) -> bool:
        """Nothing is being said and no question is open."""
        return self._table.idle

    def room_for(self, priority: Priority) -> bool:
        """Whether one more event of that priority can be said and written down soon."""
        behind = self._keeper.overrun and priority < Priority.WARNING
        return self._table.queue.room_for(priority) and not behind

    @property
    def view(self) -> TableView:
        """How things stand, for links that show it all the time."""
        table, hold = self._table, self._table.hold
        return TableView(table.phase.value, self._current is not None, not table.idle,
                         None if hold is None else hold.kind, self.cell.phrasebook)

    @property
    def record_folder(self) -> Path | None:
        """Where this session's files go."""
        return self._record.folder

    def vitals(self) -> Vitals:
        """How its parts are doing; may be called from any thread."""
        return vitals_of(self._table, self._loudspeaker, self._ear, self._rendering.facts,
                         self._record, self._keeper.waiting)  # fmt: skip

    def receive(self, message: Inbound, *, worth_s: float | None = None) -> None:
        """A message of a controller, worth anything for ``worth_s`` where its way says so."""
        now_s = self.now_s
        self._overheard(message)
        self._keep(lambda record: record.received(message, now_s))
        arrival = Arrival(sent_ago_s(message, utc_now()), worth_s)
        self._carry_out(self._table.receive(message, now_s, arrival))

    def refuse(self, refused: MessageRefused) -> None:
        """Something that was to be a message but is none: say so, and go on."""
        self._report(refused.problem, getattr(refused, "message_id", None))

    def report_problem(self, problem: Problem) -> None:
        """Something beside the table went wrong: tell the link and the record, and go on."""
        self._report(problem)

    async def report(self, event: str, **slots: SlotValue) -> messages.Done:
        """Report an event that asks nothing, and wait until its line is over.

        Raises MessageRefused when the table refuses the event, or when it asks something.
        """
        outcome = await self._outcome(event, slots, asks=False)
        assert isinstance(outcome, messages.Done)
        return outcome

    async def ask(self, event: str, **slots: SlotValue) -> messages.AnswerGiven:
        """Report an event that asks a question, and wait for the answer.

        ``value`` of the answer is ``None`` when nobody answered. Raises MessageRefused when
        the table refuses the event, or when it asks nothing.
        """
        outcome = await self._outcome(event, slots, asks=True)
        assert isinstance(outcome, messages.AnswerGiven)
        return outcome

    async def _outcome(
        self, event: str, slots: dict[str, SlotValue], *, asks: bool
    ) -> messages.AnswerGiven | messages.Done:
        known = self.cell.phrasebook.events.get(event)
        if known is not None and (known.asks is not None) != asks:
            what = "asks a question" if known.asks is not None else "asks nothing"
            raise MessageRefused(
                f"event {event!r} {what}.", do=f"Call {'report' if asks else 'ask'} for it."
            )
        event_id = f"py{next(self._numbers)}"
        answer: asyncio.Future[messages.AnswerGiven | messages.Done] = self._loop.create_future()
        self._waiting[event_id] = answer
        try:
            self.receive(messages.EventReported(id=event_id, event=event, slots=slots))
            return await answer
        finally:
            del self._waiting[event_id]

    def press(self, button: str) -> None:
        """A person pressed the button that stands for an answer."""
        self.receive(messages.ButtonPressed(button=button))

    def hold_cleared(self, by: str) -> None:
        """The cell's own physical reset was operated. Call it for no other reason."""
        self.receive(messages.HoldClearedReported(by=by))

    # --- carrying out -----------------------------------------------------------

    def _on_loop(self, what: Callable[..., None], *given: object) -> None:
        """Have the loop do something, from any thread."""
        self._loop.call_soon_threadsafe(what, *given)

    def _carry_out(self, actions: list[Action]) -> None:
        for action in actions:
            match action:
                case Spend() | TakeDown():
                    self._note(action)
                case Sound():
                    self._sound(action.utterance)
                case CutShort():
                    self._cut(action.utterance)
                case AskHold():
                    if self._guard is not None:
                        self._guard.ask_hold(action.kind)
                case CorrectVerdict():
                    self._correct(action)
                case Send():
                    self._send(action)
        if self._ear is not None:
            table, expected = self._table, tuple(self._table.expected.phrases)
            self._ear.allow((expected, table.standing_phrases, table.hold_phrases))
        self._changed.set()
        self._use_edit()

    def _send(self, sent: Send) -> None:
        self._keep(lambda record: record.sent(sent))
        self._told(sent.message)
        match sent.message:
            case messages.AnswerGiven(id=event_id) | messages.Done(id=event_id):
                future = self._waiting.get(event_id)
                if future is not None and not future.done():
                    future.set_result(sent.message)
            case messages.ErrorReported(id=str(event_id)) as error:
                future = self._waiting.get(event_id)
                if future is not None and not future.done():
                    refused = MessageRefused(error.what, where=error.where, do=error.do)
                    future.set_exception(refused)
            case messages.Closed():
                self.closed.set()
            case _:
                pass

    def _report(self, problem: Problem, message_id: str | None = None) -> None:
        self._carry_out([Send(messages.ErrorReported.about(problem, self.now_s, message_id))])

    # --- writing down -----------------------------------------------------------

    def when_written(self, then: Callable[[], None]) -> None:
        """Call ``then`` on the loop once all that was taken so far is on the disk."""
        if self._keeper.written is None:
            then()
        else:
            self._keeper.written.add_done_callback(lambda _: self._on_loop(then))

    def _keep(self, write: Callable[[Record], None]) -> None:
        """Have something written down by the record's thread, in order, soon."""
        self._keeper.keep(write)

    def _tidy(self) -> None:
        self._keep(Record.tidy)
        self._tidying = self._loop.call_later(TIDY_EVERY_S, self._tidy)

    def _correct(self, correction: CorrectVerdict) -> None:
        at_s = self.now_s
        # In order with what was heard before, which may not be on the disk yet.
        self._keep(lambda record: self._on_loop(self._told, record.correct(correction, at_s)))

    def _note(self, action: Spend | TakeDown) -> None:
        self._keep(lambda record: record.note(action))

    def _not_kept(self, problem: Problem) -> None:
        # Told, not written down: that is just what does not work.
        self._on_loop(self._told, messages.ErrorReported.about(problem, self.now_s))

    # --- speaking ---------------------------------------------------------------

    def _sound(self, utterance: Utterance) -> None:
        self._current = utterance.id
        left_s = utterance.fresh_until_s - self.now_s
        rendering = self._rendering.make_ready(utterance, self._keeper.written, left_s)

        def rendered() -> None:
            if self._current != utterance.id:
                return  # cut while it was rendered
            error = rendering.exception()
            if isinstance(error, TablevoiceError):
                self._failed(utterance.id, error)
            elif error is not None:
                raise error
            else:
                self._play(utterance, rendering.result())

        rendering.add_done_callback(lambda _: self._on_loop(rendered))

    def _play(self, utterance: Utterance, clip: Clip) -> None:
        try:
            self._loudspeaker.play(
                clip,
                lambda: self._on_loop(self._started, utterance, clip.duration_s),
                lambda cut: self._on_loop(self._ended, utterance.id, cut),
            )
        except AudioUnavailable as error:
            self._failed(utterance.id, error)

    def _started(self, utterance: Utterance, lasts_s: float) -> None:
        now_s = self.now_s
        if self._current == utterance.id:  # not cut in the same moment
            self._keep(lambda record: record.sounding(utterance, now_s, now_s + lasts_s))
        self._carry_out(self._table.voice_started(utterance.id, now_s))

    def _ended(self, utterance_id: str, cut: bool) -> None:
        # A clip that ended as cut without our asking was lost with its device.
        if self._current == utterance_id:
            self._current = None
            self._carry_out(self._table.voice_ended(utterance_id, self.now_s, failed=cut))

    def _failed(self, utterance_id: str, error: TablevoiceError) -> None:
        self._current = None
        self._report(error.problem)
        self._carry_out(self._table.voice_ended(utterance_id, self.now_s, failed=True))

    def _cut(self, utterance: Utterance) -> None:
        if self._current == utterance.id:
            self._current = None
            self._rendering.unwanted(utterance)
            self._loudspeaker.cut()

    # --- listening --------------------------------------------------------------

    def _hear(self, heard: Heard) -> None:
        self._carry_out(self._table.hear(heard, self.now_s))

    def _sound_began(self) -> None:
        self._carry_out(self._table.sound_began(self.now_s))

    # --- another phrasebook -----------------------------------------------------

    async def use_phrasebook(self, edited: Cell) -> None:
        """Speak from the phrasebook of ``edited`` from the next pause between two lines on.

        Where other words may be heard than before, from the end of the open question on. What
        was said is remembered by the lines' keys. Raises TablevoiceError when it cannot be
        used; then everything stays as it was.
        """
        making = self._editing.submit(make_ready, self.cell, edited, self._latency_s)
        try:
            ready = await asyncio.wrap_future(making)
        except asyncio.CancelledError:
            making.add_done_callback(let_go)  # the thread ends when it is through
            raise
        self._drop_edit()  # one that still waits is overtaken by this one
        if self.closed.is_set():
            ready.close()
            return
        self._edit = ready
        for problem in ready.problems:
            self._report(problem)
        self._use_edit()

    def _use_edit(self) -> None:
        ready = self._edit
        if ready is None or self.closed.is_set():
            return
        if ready.ear is not None and self._table.phase not in (Phase.IDLE, Phase.HELD):
            return
        self._edit = None
        self.cell = ready.cell
        self._parts.voices.use(ready.book)
        if ready.ear is not None and self._ear is not None:
            before, self._edits_open = self._edits_open, ready.parts
            self._ear.change(ready.ear, before.close)
        self._carry_out(self._table.use_book(ready.book, self.now_s))

    def _drop_edit(self) -> None:
        if self._edit is not None:
            self._edit.close()
            self._edit = None

    # --- the stop guard ---------------------------------------------------------

    def _guard_says(self, view: GuardView) -> None:
        self._on_loop(self._guard_changed, view)

    def _guard_changed(self, view: GuardView) -> None:
        if view.state == "silent" and not self._guard_started and self.cell.guard is not None:
            self._guard_started = True
            start_guard(self.cell.guard)
        self._carry_out(self._table.guard_changed(view, self.now_s))

    def _lost(self, problem: Problem) -> None:
        self._on_loop(self._report, problem)

    # --- time -------------------------------------------------------------------

    async def _tick(self) -> None:
        # Before Python 3.12 wait_for may swallow a cancellation that comes together with the
        # event, so the end is looked for as well.
        while not self._stopping.is_set():
            self._changed.clear()
            deadline_s = self._table.deadline_s
            wait_s = None if deadline_s is None else max(0.0, deadline_s - self.now_s)
            try:
                await asyncio.wait_for(self._changed.wait(), wait_s)
            except asyncio.TimeoutError:
                self._carry_out(self._table.tick(self.now_s))
