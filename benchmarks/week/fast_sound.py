"""A loudspeaker and a microphone that keep up with a fast clock.

The loudspeaker counts a clip as over when its length has passed by the fast clock. The
microphone hears nothing but what it is told to: recorded words, with silence around them,
which go through the whole ear. Both can be lost and come back, as real ones tell it.
"""

from __future__ import annotations

import heapq
import itertools
import queue
import threading
from collections.abc import Callable, Iterator

import numpy as np

from benchmarks.week.fast_clock import FastClock
from tablevoice.audio.loudspeaker import Reference
from tablevoice.audio.microphone import BLOCK_S, MicrophoneBlock
from tablevoice.errors import AudioUnavailable, Problem
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples

BEFORE_S, AFTER_S = 0.4, 1.2
OUT_S = 0.1
"""Between handing a clip over and its first sample, as with the latency ``high``."""

Lost = Callable[[Problem], None]


class FastLoudspeaker:
    """As :class:`tablevoice.audio.loudspeaker.Loudspeaker`, of which it has what a session uses."""

    def __init__(self, clock: FastClock, on_lost: Lost | None) -> None:
        self.latency_s = OUT_S
        self.thread_alive = True
        self.is_open = True
        self.losses = 0
        self._clock = clock
        self._on_lost = on_lost
        self._news = threading.Condition()
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._numbers = itertools.count()
        self._ended: Callable[[bool], None] | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="loudspeaker", daemon=True)

    def __enter__(self) -> FastLoudspeaker:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with self._news:
            self._closing = True
            self._news.notify_all()
        self._thread.join(10.0)

    def play(
        self,
        clip: Clip,
        on_started: Callable[[], None] | None = None,
        on_ended: Callable[[bool], None] | None = None,
    ) -> None:
        if not self.is_open:
            raise AudioUnavailable(
                "the loudspeaker is not there now.", where="loudspeaker", do="Wait for it."
            )
        now_s = self._clock.monotonic()
        with self._news:
            self._cut()
            self._ended = on_ended
            if on_started is not None:
                self._at(now_s + OUT_S, on_started)
            self._at(now_s + OUT_S + clip.duration_s, lambda: self._over(on_ended))

    def cut(self) -> bool:
        with self._news:
            return self._cut()

    def played_reference(self, n: int) -> Reference:
        return Reference(np.zeros(n, np.float32), self._clock.monotonic())

    def plug(self, there: bool) -> None:
        """Lose the device, or have it back."""
        with self._news:
            was, self.is_open = self.is_open, there
            if not there:
                self._cut()
        if was and not there:
            self.losses += 1
            if self._on_lost is not None:
                self._on_lost(Problem("the loudspeaker is gone.", "sound devices", "Wait."))

    def _over(self, on_ended: Callable[[bool], None] | None) -> None:
        if self._ended is on_ended:
            self._ended = None
            if on_ended is not None:
                on_ended(False)

    def _cut(self) -> bool:
        ended, self._ended = self._ended, None
        self._due = [one for one in self._due if one[0] < 0.0]
        if ended is not None:
            self._at(-1.0, lambda: ended(True))
        return ended is not None

    def _at(self, at_s: float, what: Callable[[], None]) -> None:
        heapq.heappush(self._due, (at_s, next(self._numbers), what))
        self._news.notify_all()

    def _run(self) -> None:
        while True:
            with self._news:
                if self._closing:
                    return
                now_s = self._clock.monotonic()
                if not self._due or self._due[0][0] > now_s:
                    wait_s = (self._due[0][0] - now_s) / self._clock.speed if self._due else None
                    self._news.wait(wait_s)
                    continue
                what = heapq.heappop(self._due)[2]
            what()


class FastMicrophone:
    """As :class:`tablevoice.audio.microphone.Microphone`, of which it has what a session uses."""

    def __init__(self, clock: FastClock, on_lost: Lost | None) -> None:
        self.dropped_blocks = 0
        self.overflows = 0
        self.losses = 0
        self.thread_alive = True
        self.is_open = True
        self._clock = clock
        self._on_lost = on_lost
        self._words: queue.Queue[Samples | None] = queue.Queue()
        self._count = 0
        self._closed = False

    def __enter__(self) -> FastMicrophone:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._closed = True
        self._words.put(None)

    def say(self, word: Samples) -> None:
        """A visitor says it; lost where there is no microphone."""
        if self.is_open:
            self._words.put(word)

    def plug(self, there: bool) -> None:
        """Lose the device, or have it back."""
        was, self.is_open = self.is_open, there
        if was and not there and self._on_lost is not None:
            self.losses += 1
            self._on_lost(Problem("the microphone is gone.", "sound devices", "Wait."))

    def __iter__(self) -> Iterator[MicrophoneBlock]:
        while not self._closed:
            word = self._words.get()
            if word is None:
                return
            yield from self._blocks(word)

    def _blocks(self, word: Samples) -> Iterator[MicrophoneBlock]:
        n = round(BLOCK_S * LISTENING_RATE_HZ)
        around = [np.zeros(round(s * LISTENING_RATE_HZ), np.float32) for s in (BEFORE_S, AFTER_S)]
        sound = np.concatenate((around[0], word, around[1]))
        hiss = np.random.default_rng(1).normal(0.0, 1e-4, len(sound)).astype(np.float32)
        began_s = self._clock.monotonic()
        for start in range(0, len(sound) - n + 1, n):
            if not self.is_open:
                self._count += LISTENING_RATE_HZ  # the rest of the word was never taken
                return
            samples = sound[start : start + n] + hiss[start : start + n]
            yield MicrophoneBlock(samples, self._count, began_s + start / LISTENING_RATE_HZ)
            self._count += n
