"""Makes the sound of lines ready beside the loop: a prepared one at once, others by the engine.

Two threads, so that a line that is prepared never waits for an engine that is busy or hangs. A
line that is cut while its engine works on it is given up after a moment, so that the next one
has the engine to itself; how long an engine may take is bounded by how long the line is worth
starting. Knows no queue and no loudspeaker. The live session calls it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotInTime
from types import TracebackType
from typing import Protocol

from tablevoice.errors import Problem
from tablevoice.model import Clip, Utterance
from tablevoice.watching.facts import EngineFacts

WRITTEN_WITHIN_S = 0.5
"""A line waits so long for its use to be written down; then it is said all the same."""

GIVEN_UP_AFTER_S = 0.25
"""How long a line that was cut may keep its engine: ten times what espeak-ng takes for one."""

SHORTEST_S, LONGEST_S = 1.0, 10.0
"""Bounds of the time an engine gets for a line that is rendered when it is said."""


class LineVoices(Protocol):
    """What is needed of the table's voices; :class:`tablevoice.assembly.Voices` is such."""

    def prepared(self, text: str, voice: str, marked: str = ...) -> Clip | None: ...

    def render(
        self, text: str, voice: str, marked: str = ..., timeout_s: float = ...
    ) -> Clip: ...

    def keep(self, clip: Clip, text: str, voice: str, marked: str = ...) -> Problem | None: ...

    def give_up(self, voice: str) -> None: ...


class LineRendering:
    """Two lanes of lines, as a context manager. ``told`` hears of a store that takes no more.

    ``told`` is called from a thread of these.
    """

    def __init__(self, voices: LineVoices, told: Callable[[Problem], None]) -> None:
        self._voices = voices
        self._told = told
        self._prepared = ThreadPoolExecutor(1, "prepared lines")
        self._rendering = ThreadPoolExecutor(1, "rendering")
        self._lock = threading.Lock()
        self._at_work: Utterance | None = None
        self._unwanted: set[str] = set()
        self._given_up = ""
        self._last_problem: Problem | None = None
        self.facts = EngineFacts(0)
        """How the engines have been doing lately."""

    def __enter__(self) -> LineRendering:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._lock:
            at_work = self._at_work
        if at_work is not None:
            self._voices.give_up(at_work.voice)
        self._prepared.shutdown()
        self._rendering.shutdown(cancel_futures=True)

    def make_ready(
        self, utterance: Utterance, written: Future[None] | None, left_s: float
    ) -> Future[Clip]:
        """The line's sound, once its use is written down; ``left_s``: how long it is fresh."""
        ready: Future[Clip] = Future()
        self._prepared.submit(self._find, utterance, written, left_s, ready)
        return ready

    def unwanted(self, utterance: Utterance) -> None:
        """It was cut: give it up if the engine is still at it in a moment."""
        with self._lock:
            self._unwanted.add(utterance.id)
        timer = threading.Timer(GIVEN_UP_AFTER_S, self._give_up, (utterance,))
        timer.daemon = True
        timer.start()

    def _give_up(self, utterance: Utterance) -> None:
        with self._lock:
            self._unwanted.discard(utterance.id)
            still = self._at_work is not None and self._at_work.id == utterance.id
            if still:
                self._given_up = utterance.id
        if still:
            self._voices.give_up(utterance.voice)

    def _find(
        self,
        utterance: Utterance,
        written: Future[None] | None,
        left_s: float,
        ready: Future[Clip],
    ) -> None:
        """The first lane: never waits for an engine."""

        def find() -> Clip | None:
            return self._voices.prepared(utterance.text, utterance.voice, utterance.marked)

        if not _settle(ready, find, written):
            self._rendering.submit(self._render, utterance, written, left_s, ready)

    def _render(
        self,
        utterance: Utterance,
        written: Future[None] | None,
        left_s: float,
        ready: Future[Clip],
    ) -> None:
        """The second lane: one line at a time."""
        with self._lock:
            if utterance.id in self._unwanted:  # cut before its turn came
                ready.cancel()
                return
            self._at_work = utterance
        timeout_s = min(LONGEST_S, max(SHORTEST_S, left_s))

        def render() -> Clip:
            try:
                return self._voices.render(
                    utterance.text, utterance.voice, utterance.marked, timeout_s=timeout_s
                )
            finally:
                with self._lock:
                    self._at_work = None

        _settle(ready, render, written)
        if not ready.cancelled() and self._given_up != utterance.id:
            self._count(ready.exception())
        # Kept once it is on its way to the loudspeaker: a slow disk costs the listener nothing.
        if not ready.cancelled() and ready.exception() is None:
            kept = self._voices.keep(
                ready.result(), utterance.text, utterance.voice, utterance.marked
            )
            self._tell_of(kept)

    def _count(self, failure: BaseException | None) -> None:
        if failure is None:
            self.facts = EngineFacts(0)
        else:
            self.facts = EngineFacts(self.facts.failures_in_a_row + 1, str(failure))

    def _tell_of(self, problem: Problem | None) -> None:
        if problem is not None and problem != self._last_problem:
            self._told(problem)
        self._last_problem = problem


def _settle(
    ready: Future[Clip], make: Callable[[], Clip | None], written: Future[None] | None
) -> bool:
    """Give ``ready`` the clip that ``make`` makes, or its error; false where it makes none."""
    try:
        clip = make()
        if clip is None:
            return False
        if written is not None:
            _wait_for(written)
    except BaseException as error:  # noqa: BLE001 - whoever waits for the clip gets it
        ready.set_exception(error)
    else:
        ready.set_result(clip)
    return True


def _wait_for(written: Future[None]) -> None:
    try:
        written.result(WRITTEN_WITHIN_S)
    except NotInTime:
        return  # a stalled disk must not silence the table
