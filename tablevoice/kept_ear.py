"""Keeps a table listening: sees when an ear hangs or fails, and puts another in its place.

Recognisers are large libraries of others in this very process: one may never come back from
a sound, or raise what nobody foresaw. Knows when to give an ear up and how often; decides
nothing about what is heard. The live session opens one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import ExitStack
from typing import TypeAlias

from tablevoice.audio.loudspeaker import Loudspeaker
from tablevoice.audio.microphone import Microphone
from tablevoice.errors import Problem, TablevoiceError
from tablevoice.listening.ear import Ear
from tablevoice.live_ear import Allowed, Listeners, LiveEar
from tablevoice.watching.facts import ListeningFacts

LOOK_S = 0.5
HUNG_LOOKS = 10
"""So many looks in a row find the ear at the same block: 5 s, where a block takes some
milliseconds and the end of an utterance some tenths of a second. Looks, not seconds: a whole
process that was stopped for a while has not hung."""

MOST_HUNG = 3
"""A thread that hangs is left behind with its recogniser, some 100 MB; more are too many."""

TRY_AGAIN_LOOKS = 10

OpenEar: TypeAlias = Callable[[], tuple[Ear, ExitStack]]
"""Another ear of the words that may be heard now, and what keeps it open."""


class KeptEar:
    """An ear at a microphone, renewed when it hangs or fails; the rest as :class:`LiveEar`."""

    def __init__(
        self,
        microphone: Microphone,
        ear: Ear,
        loudspeaker: Loudspeaker,
        told: Listeners,
        another: OpenEar,
    ) -> None:
        self._microphone = microphone
        self._loudspeaker = loudspeaker
        self._told = told
        self._another = another
        self._live = LiveEar(microphone, ear, loudspeaker, told)
        self._changing = threading.Lock()
        self._opened: list[ExitStack] = []
        self._ending = threading.Event()
        self._began_s = 0.0
        self._hung = 0
        self._watch = threading.Thread(target=self._look, name="listening watch", daemon=True)

    def start(self, began_s: float) -> None:
        """Listen from now on; ``began_s``: the session's begin on the monotonic clock."""
        self._began_s = began_s
        self._live.start(began_s)
        self._watch.start()

    def stop(self) -> None:
        """Listen no more; what was begun is not finished."""
        self._ending.set()
        with self._changing:
            self._live.stop()

    def join(self) -> None:
        """Wait for the threads to end, for a while."""
        if self._watch.ident is not None:
            self._watch.join(5.0)
        self._live.join()
        if not self._watch.is_alive():
            self._close_opened()

    @property
    def microphone(self) -> Microphone:
        """What it listens at."""
        return self._microphone

    def facts(self) -> ListeningFacts:
        """How the ear that listens now is doing; may be called from any thread."""
        return self._live.facts()

    def allow(self, allowed: Allowed) -> None:
        """What may be heard from the next block on."""
        self._live.allow(allowed)

    def change(self, ear: Ear, changed: Callable[[], None]) -> None:
        """Listen with ``ear`` once nobody speaks; see :meth:`LiveEar.change`."""
        with self._changing:
            self._live.change(ear, changed)

    def _look(self) -> None:
        looks = 0
        before = self._live.blocks
        while not self._ending.wait(LOOK_S):
            live = self._live
            looks = looks + 1 if live.at_work and live.blocks == before else 0
            before = live.blocks
            if live.failed is not None:
                self._give_up(f"listening failed: {live.failed!r}.")
            elif looks >= HUNG_LOOKS:
                self._hung += 1
                self._give_up(f"listening hangs: no block of sound in {LOOK_S * looks:.0f} s.")
            else:
                continue
            looks = 0
            if self._hung > MOST_HUNG:
                return
            self._renew(live)

    def _give_up(self, what: str) -> None:
        do = "Another recogniser takes over; what was being said is lost, buttons go on working."
        if self._hung > MOST_HUNG:
            do = "It has hung too often: start the table again. Buttons go on working."
        self._told.problem(Problem(what, "recogniser", do))

    def _renew(self, old: LiveEar) -> None:
        old.stop()
        if old.failed is not None:
            old.let_go()
            self._close_opened()
        problem: Problem | None = None
        while not self._ending.is_set():
            try:
                ear, opened = self._another()
            except TablevoiceError as error:
                if error.problem != problem:
                    problem = error.problem
                    self._told.problem(problem)
                self._ending.wait(LOOK_S * TRY_AGAIN_LOOKS)
                continue
            self._opened.append(opened)
            with self._changing:
                self._live = old.successor(LiveEar(
                    self._microphone, ear, self._loudspeaker, self._told))  # fmt: skip
                if not self._ending.is_set():
                    self._live.start(self._began_s)
            return

    def _close_opened(self) -> None:
        # Those of an ear that hung among them: what its thread holds on to, stays.
        while self._opened:
            self._opened.pop().close()
