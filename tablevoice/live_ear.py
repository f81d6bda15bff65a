"""The listening thread of a live session: blocks of the microphone through an ear.

Knows when one ear may take the place of another: never within an utterance. Decides nothing
about what was heard; the session is told on this thread and passes it on to its loop.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from tablevoice.audio.loudspeaker import MOST_REFERENCE_S, Loudspeaker
from tablevoice.audio.microphone import Microphone, MicrophoneBlock
from tablevoice.errors import Problem, TablevoiceError
from tablevoice.listening.ear import Ear
from tablevoice.model import LISTENING_RATE_HZ, Heard, Samples
from tablevoice.watching.facts import ListeningFacts

Allowed: TypeAlias = tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]
"""What may be heard now, what at any time, even over a voice of the table, and what of that
asks for a hold."""

ANSWER_WITHIN_S = 2.0
"""How long closing waits for the thread."""

DIGITAL_SILENCE = 1e-9
"""Mean power below which nothing but zeros and their dither can be: -90 dBFS."""

_NEW_SHARE = 0.04
"""Of each 32 ms block in the mean level, which so follows about a second."""


@dataclass(frozen=True, slots=True)
class Listeners:
    """Who is told of what, from the listening thread."""

    heard: Callable[[Heard], None]
    sound_began: Callable[[], None]
    problem: Callable[[Problem], None]


class LiveEar:
    """One ear at one microphone, on a thread of its own once it is started."""

    def __init__(
        self, microphone: Microphone, ear: Ear, loudspeaker: Loudspeaker, told: Listeners
    ) -> None:
        self._microphone = microphone
        self._ear = ear
        self._loudspeaker = loudspeaker
        self._told = told
        self._allowed: Allowed = ((), (), ())
        self._next: tuple[Ear, Callable[[], None]] | None = None
        self._stopping = threading.Event()
        self._began_s = 0.0
        self.blocks = 0
        """How many blocks it has begun with."""
        self.at_work = False
        """Whether it is busy with a block now, rather than waiting for one."""
        self.failed: Exception | None = None
        """What ended it that was no error of ours."""
        self._busy_since_s: float | None = None
        self._block_s: float | None = None
        self._sound_s: float | None = None
        self._power: float | None = None
        self._thread = threading.Thread(target=self._listen, name="listening", daemon=True)

    def start(self, began_s: float) -> None:
        """Listen from now on; ``began_s``: the session's begin on the monotonic clock."""
        self._began_s = began_s
        self._thread.start()

    def stop(self) -> None:
        """Listen no more; what was begun is not finished."""
        self._stopping.set()

    def join(self) -> None:
        """Wait for the thread to end, for a while."""
        if self._thread.ident is not None:
            self._thread.join(ANSWER_WITHIN_S)

    def let_go(self) -> None:
        """Give back what a failed ear took; only once its thread has ended."""
        self._thread.join(ANSWER_WITHIN_S)
        if not self._thread.is_alive():
            self._ear.close()

    def allow(self, allowed: Allowed) -> None:
        """What may be heard from the next block on."""
        self._allowed = allowed

    def change(self, ear: Ear, changed: Callable[[], None]) -> None:
        """Listen with ``ear`` from the end of the utterance that is open, if one is.

        What is allowed counts for it; the one before goes on with what it was told.
        ``changed`` is called when the one before is no longer used.
        """
        self._next = (ear, changed)

    def successor(self, ear: LiveEar) -> LiveEar:
        """Have ``ear`` hear what this one was told to; gives it back."""
        ear._allowed = self._allowed
        waiting, self._next = self._next, None
        if waiting is not None:  # an ear of other words waited for the end of an utterance
            ear._ear, changed = waiting
            changed()
        return ear

    @property
    def microphone(self) -> Microphone:
        """What it listens at."""
        return self._microphone

    def facts(self) -> ListeningFacts:
        """How it is doing; may be called from any thread."""
        now_s, busy_s, power = time.monotonic(), self._busy_since_s, self._power

        def ago_s(then_s: float | None) -> float | None:
            return None if then_s is None else max(0.0, now_s - then_s)

        return ListeningFacts(
            thread_alive=self._thread.is_alive() or self._stopping.is_set(),
            busy_s=ago_s(busy_s) or 0.0,
            block_ago_s=ago_s(self._block_s),
            sound_ago_s=ago_s(self._sound_s),
            level_dbfs=None if power is None else 10.0 * math.log10(max(power, 1e-12)),
            dropped_blocks=self._microphone.dropped_blocks,
        )

    def _measure(self, samples: Samples) -> None:
        power = float(np.dot(samples, samples)) / max(1, len(samples))
        before = power if self._power is None else self._power
        self._power = before + _NEW_SHARE * (power - before)
        self._block_s = time.monotonic()
        if power > DIGITAL_SILENCE:
            self._sound_s = self._block_s

    def _listen(self) -> None:
        try:
            self._listen_on()
        except Exception as error:  # noqa: BLE001 - a recogniser's library may raise anything
            self.failed = error
        finally:
            self.at_work = False

    def _listen_on(self) -> None:
        allowed: Allowed | None = None
        in_speech = False
        next_sample: int | None = None
        for block in self._blocks():
            if self._ear.in_speech and next_sample not in (None, block.start_sample):
                # Half a word from before a gap and half of one after it are no word.
                self._ear.reset()
                in_speech = False
            next_sample = block.start_sample + len(block.samples)
            if self._next is not None and not self._ear.in_speech:
                (self._ear, changed), self._next, allowed = self._next, None, None
                changed()
            if self._next is None and allowed != self._allowed:
                allowed = self._allowed
                self._ear.allow(*allowed)
            end_s = block.start_s + len(block.samples) / LISTENING_RATE_HZ
            reference = self._reference(block, end_s)
            self._measure(block.samples)
            self._busy_since_s = self._block_s
            try:
                found = self._ear.feed(block.samples, end_s - self._began_s, reference)
            except TablevoiceError as error:
                self._told.problem(error.problem)
                continue
            finally:
                self._busy_since_s = None
            if self._stopping.is_set():
                return  # it took so long that another has taken over
            for heard in found:
                self._told.heard(heard)
            if self._ear.in_speech and not in_speech:
                self._told.sound_began()
            in_speech = self._ear.in_speech

    def _blocks(self) -> Iterator[MicrophoneBlock]:
        for block in self._microphone:
            if self._stopping.is_set():
                return
            self.blocks += 1
            self.at_work = True
            yield block
            self.at_work = False

    def _reference(self, block: MicrophoneBlock, end_s: float) -> Samples:
        """What the loudspeaker played while this block was in the air."""
        n = len(block.samples)
        late = round(max(0.0, time.monotonic() - end_s) * LISTENING_RATE_HZ)
        if n + late > MOST_REFERENCE_S * LISTENING_RATE_HZ:
            return np.zeros(n, np.float32)  # so far behind that nobody knows what was played
        played = self._loudspeaker.played_reference(n + late)
        later = max(0, round((played.end_s - end_s) * LISTENING_RATE_HZ))
        samples = played.samples[: len(played.samples) - later][-n:]
        return np.concatenate((np.zeros(n - len(samples), np.float32), samples))
