"""A table for programs without asyncio: its loop in a thread of its own, plain calls and callbacks.

Joins a thread to :func:`tablevoice.linking.open_table` and knows nothing else of the table.
Callbacks have a second thread, so that they may wait, and ask the table in their turn.
"""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from tablevoice.errors import Problem, TablevoiceError
from tablevoice.linking import open_table
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.model import SlotValue
from tablevoice.session import Session

MOST_UNREAD = 10_000
"""Messages that wait for slow callbacks; beyond that the oldest are lost, and it is said."""

Result = TypeVar("Result")
OnMessage = Callable[[Outbound], None]


class TableThread:
    """The table of a cell file, a context manager; call it from any thread.

    Making it raises FileRefused, entering it what keeps the table from opening. What a
    callback raises is reported to the table's links at once and raised when this is left.
    """

    def __init__(self, cell_file: Path | str, *, record_folder: Path | None = None) -> None:
        self._opening = open_table(cell_file, self._told, record_folder=record_folder)
        self._opened: Future[Session] = Future()
        self._thread = threading.Thread(target=self._run, name="table")
        self._callbacks: list[OnMessage] = []
        self._unread: queue.Queue[Outbound | None] = queue.Queue(MOST_UNREAD)
        self._lost = False
        self._caller = threading.Thread(target=self._call_back, name="table callbacks")
        self._mistake: BaseException | None = None
        self._leaving = threading.Event()

    def __enter__(self) -> TableThread:
        self._thread.start()
        try:
            self._session = self._opened.result()
        except BaseException:
            self._leave()
            raise
        self._caller.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._leave()
        self._put(None)
        self._caller.join()
        if self._mistake is not None and error is None:
            raise self._mistake

    # --- what a program calls ---------------------------------------------------

    def on_message(self, callback: OnMessage) -> None:
        """Have ``callback`` called with each message of the table from now on, in their order."""
        self._callbacks.append(callback)

    def report(self, event: str, **slots: SlotValue) -> messages.Done:
        """Report an event that asks nothing, and wait until its line is over.

        Raises MessageRefused when the table refuses the event, or when it asks something.
        """
        return self._wait_for(self._session.report(event, **slots))

    def ask(self, event: str, **slots: SlotValue) -> messages.AnswerGiven:
        """Report an event that asks a question, and wait for the answer.

        ``value`` of the answer is ``None`` when nobody answered. Raises MessageRefused when
        the table refuses the event, or when it asks nothing.
        """
        return self._wait_for(self._session.ask(event, **slots))

    def press(self, button: str) -> None:
        """A person pressed the button that stands for an answer."""
        self.send(messages.ButtonPressed(button=button))

    def hold_cleared(self, by: str) -> None:
        """The cell's own physical reset was operated. Call it for no other reason."""
        self.send(messages.HoldClearedReported(by=by))

    def send(self, message: Inbound) -> None:
        """Any message; what becomes of it is told to ``on_message``."""
        self._wait_for(self._receive(message))

    @property
    def closed(self) -> bool:
        """The session is over, whoever asked for it."""
        return self._session.closed.is_set()

    # --- the table's thread -----------------------------------------------------

    async def _receive(self, message: Inbound) -> None:
        self._session.receive(message)

    def _wait_for(self, wanted: Coroutine[Any, Any, Result]) -> Result:
        if self._leaving.is_set() or threading.current_thread() is self._thread:
            wanted.close()
            raise TablevoiceError(
                "the table is closed." if self._leaving.is_set()
                else "the table's own thread cannot wait for the table.",
                do="Call it within the 'with' block, from a thread of the program.",
            )  # fmt: skip
        waiting = asyncio.run_coroutine_threadsafe(wanted, self._loop)
        try:
            return waiting.result()
        except BaseException:
            waiting.cancel()  # such as Ctrl-C: nobody waits for it any more
            raise

    def _leave(self) -> None:
        self._leaving.set()
        if self._opened.done() and self._opened.exception() is None:
            self._loop.call_soon_threadsafe(self._left.set)
        self._thread.join()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 - it is raised in the program's thread
            if self._opened.done():
                self._mistake = error
            else:
                self._opened.set_exception(error)

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._left = asyncio.Event()
        async with self._opening as session:
            self._opened.set_result(session)
            await self._left.wait()

    # --- the callbacks' thread --------------------------------------------------

    def _told(self, message: Outbound) -> None:
        if self._callbacks:
            self._put(message)

    def _put(self, message: Outbound | None) -> None:
        while True:
            try:
                self._unread.put_nowait(message)
                return
            except queue.Full:
                try:
                    self._unread.get_nowait()
                except queue.Empty:
                    continue
                self._say_that_some_are_lost()

    def _say_that_some_are_lost(self) -> None:
        if not self._lost and not self._leaving.is_set():
            self._lost = True
            self._report(f"callbacks are too slow: over {MOST_UNREAD} messages wait, and the "
                         "oldest are lost.", "Have them hand their work to another thread.")

    def _report(self, what: str, do: str) -> None:
        problem = Problem(what, "TableThread", do)
        self._loop.call_soon_threadsafe(self._session.report_problem, problem)

    def _call_back(self) -> None:
        while (message := self._unread.get()) is not None:
            for callback in tuple(self._callbacks):
                try:
                    callback(message)
                except Exception as error:  # noqa: BLE001 - raised when the block is left
                    self._noted(error)

    def _noted(self, error: Exception) -> None:
        if self._mistake is not None:
            return
        self._mistake = error
        if not self._leaving.is_set():
            self._report(f"a callback of the program failed: {error!r}.",
                         "It is raised when the table is left.")
