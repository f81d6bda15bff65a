"""The thread that writes down what a session did: a disk may be slow, the table may not.

Knows threads and order, not what is written: whatever was given when the thread comes by goes
to the disk at once. What the history did not take is tried again after a while. The live
session has one.
"""

from __future__ import annotations

import asyncio
import queue
from collections.abc import Awaitable, Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from tablevoice.errors import Problem
from tablevoice.session_records import Record

TRY_AGAIN_S = 1.0

MOST_UNWRITTEN = 2_000
"""Writes that wait for the thread; more come only when the table is flooded or the disk stands."""

Given = TypeVar("Given")


class RecordThread:
    """Belongs to one loop. ``told`` is called on the thread, with what went wrong while writing."""

    def __init__(self, told: Callable[[Problem], None]) -> None:
        self.written: Future[None] | None = None
        """Done when all that was kept so far is on the disk, or was tried."""
        self._told = told
        self._record: Record | None = None
        self._executor = ThreadPoolExecutor(1, "record")
        self._unwritten: queue.SimpleQueue[Callable[[Record], None]] = queue.SimpleQueue()
        self._retry: asyncio.TimerHandle | None = None

    @property
    def waiting(self) -> int:
        """Writes that the thread has not come to."""
        return self._unwritten.qsize()

    @property
    def overrun(self) -> bool:
        """Much more waits than the disk has taken."""
        return self.waiting > MOST_UNWRITTEN

    def run(self, work: Callable[[], Given]) -> Awaitable[Given]:
        """Have something done by the thread alone: opening and closing the files."""
        self._loop = asyncio.get_running_loop()
        return self._loop.run_in_executor(self._executor, work)

    def use(self, record: Record) -> None:
        """Write into ``record`` from now on."""
        self._record = record

    def keep(self, write: Callable[[Record], None]) -> None:
        """Have something written down, in order, soon."""
        self._unwritten.put(write)
        self.written = self._submit()

    def close(self) -> None:
        """End the thread once it has done all that it was given."""
        if self._retry is not None:
            self._retry.cancel()
        self._executor.shutdown()

    def _submit(self, again: bool = False) -> Future[None]:
        written = self._executor.submit(self._write_down, again)
        written.add_done_callback(self._look)
        return written

    def _look(self, written: Future[None]) -> None:
        """A mistake of the program is not to be lost."""
        mistake = written.exception()
        if mistake is not None:
            self._loop.call_soon_threadsafe(
                self._loop.call_exception_handler,
                {"message": "writing the record down", "exception": mistake},
            )

    def _write_down(self, again: bool = False) -> None:
        record = self._record
        if record is None or (self._unwritten.empty() and not again):
            return  # an earlier call took it along
        known = len(record.problems)
        with record.together():
            # What waits now: under a flood there would always be more, and no end to it. Only
            # this thread takes from the queue.
            for _ in range(self._unwritten.qsize()):
                self._unwritten.get()(record)
        for problem in record.problems[known:]:
            self._told(problem)
        if record.behind:
            self._loop.call_soon_threadsafe(self._try_later)

    def _try_later(self) -> None:
        if self._retry is None:
            self._retry = self._loop.call_later(TRY_AGAIN_S, self._try_again)

    def _try_again(self) -> None:
        self._retry = None
        self._submit(again=True)
