"""Keeps one sound stream open: one thread opens it, watches it, and opens it again when lost.

Knows when a stream has died (it finished by itself, or its callback fell silent) and
how long to wait between attempts; does not know what flows. The loudspeaker and the
microphone each own one.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from tablevoice.audio.devices import (
    alone_with_portaudio,
    close_stream,
    look_again,
    look_wanted,
    look_with_others_aside,
)
from tablevoice.errors import AudioUnavailable, Problem

SILENT_FOR_S = 5.0
"""A callback that did not come for this long means a dead stream: servers stall for up to 2 s."""
FIRST_WAIT_S = 0.25
LONGEST_WAIT_S = 5.0
ASIDE_WITHIN_S = 10.0
"""How long a stream that is lost waits for the others to close for a look: a line may sound."""
_LOOK_EVERY_S = 0.1


class KeptStream:
    """Runs ``work`` in the one thread that owns the stream, and keeps the stream alive.

    ``open_it`` gives a started stream or raises :class:`AudioUnavailable`. ``work`` is
    called after each :meth:`wake` and at least ten times a second; it gives the seconds
    until it wants to be called again. ``dropped`` is called (same thread) when the
    stream is gone, before ``on_lost``; ``on_back`` when it sounds again. ``seen`` tells whether
    a fresh look at the system's devices would find this one, ``at_rest`` whether nobody would
    miss the stream for a moment: PortAudio reads the devices anew only while none is open, so
    the others step aside for one that is back.
    """

    def __init__(
        self,
        name: str,
        open_it: Callable[[], Any],
        work: Callable[[], float],
        dropped: Callable[[], None],
        on_lost: Callable[[Problem], None] | None,
        on_back: Callable[[], None] | None,
        seen: Callable[[], bool],
        at_rest: Callable[[], bool] = lambda: True,
    ) -> None:
        self.name = name
        self.losses = 0
        self.last_sign_s = 0.0  # time.monotonic of the last callback; the callback writes it
        self._open_it = open_it
        self._work = work
        self._dropped = dropped
        self._on_lost = on_lost
        self._on_back = on_back
        self._seen = seen
        self._at_rest = at_rest
        self._stream: Any = None
        self._wake = threading.Event()
        self._closing = threading.Event()
        self._first = threading.Event()
        self._refused: AudioUnavailable | None = None
        self._thread: threading.Thread | None = None

    @property
    def is_open(self) -> bool:
        return self._stream is not None

    @property
    def thread_alive(self) -> bool:
        """Whether the thread that owns the stream lives."""
        return self._thread is not None and self._thread.is_alive()

    def start(self) -> None:
        """Start the thread and wait for the first opening; raises what that raised."""
        if self._thread is not None:
            raise RuntimeError(f"the {self.name} is open already")
        self._closing.clear()
        self._first.clear()
        self._refused = None
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()
        refused = self._first_outcome()
        if refused is not None:
            self._thread.join()
            self._thread = None
            raise refused

    def stop(self) -> None:
        """Close the stream and end the thread; does nothing if it never started."""
        if self._thread is None:
            return
        self._closing.set()
        self._wake.set()
        if self._thread is not threading.current_thread():
            self._thread.join(10.0)
        self._thread = None

    def wake(self) -> None:
        """Have ``work`` called soon. Cheap enough for an audio callback."""
        self._wake.set()

    def _first_outcome(self) -> AudioUnavailable | None:
        self._first.wait()
        return self._refused

    def _run(self) -> None:
        try:
            self._open()
        except AudioUnavailable as error:
            self._refused = error
            return
        finally:
            self._first.set()
        while not self._closing.is_set():
            if self._stream is None:
                self._reopen()
                continue
            wait_s = min(self._work(), _LOOK_EVERY_S)
            self._wake.wait(max(0.0, wait_s))
            self._wake.clear()
            if self._is_dead():
                self._lose()
            elif look_wanted() and self._at_rest():
                self._step_aside()
        if self._stream is not None:
            stream, self._stream = self._stream, None
            close_stream(stream)
            self._dropped()

    def _open(self) -> None:
        self.last_sign_s = time.monotonic()
        with alone_with_portaudio():
            self._stream = self._open_it()

    def _is_dead(self) -> bool:
        silent_s = time.monotonic() - self.last_sign_s
        return not self._stream.active or silent_s > SILENT_FOR_S

    def _lose(self) -> None:
        stream, self._stream = self._stream, None
        self.losses += 1
        close_stream(stream)
        self._dropped()
        self._tell_lost()

    def _tell_lost(self) -> None:
        if self._on_lost is not None:
            self._on_lost(
                Problem(
                    f"the {self.name} is gone.",
                    where="sound devices",
                    do="Check its cable and the sound server; it is tried again until it is back.",
                )
            )

    def _step_aside(self) -> None:
        """Close for as long as another stream looks for its device; nobody is told."""
        stream, self._stream = self._stream, None
        close_stream(stream)
        self._dropped()
        while look_wanted() and not self._closing.wait(0.01):
            continue
        try:
            self._open()
        except AudioUnavailable:
            self.losses += 1
            self._tell_lost()

    def _reopen(self) -> None:
        wait_s = FIRST_WAIT_S
        while not self._closing.wait(wait_s):
            try:
                if not look_again() and self._seen():
                    look_with_others_aside(ASIDE_WITHIN_S)
                self._open()
            except AudioUnavailable:
                wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)  # on_lost has told it already
                continue
            if self._on_back is not None:
                self._on_back()
            return
