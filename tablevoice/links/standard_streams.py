"""The JSON-lines link over standard input and output.

Knows bytes, threads and the session's loop; the messages themselves are
:mod:`tablevoice.links.messages`. A thread reads, so that it works the same on every
system, and another writes, so that a reader that falls asleep never stops the table.
"""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable
from io import RawIOBase
from typing import BinaryIO, TypeAlias

from tablevoice.errors import MessageRefused
from tablevoice.links.json_lines import MessageReader, encode
from tablevoice.links.messages import ErrorReported, Inbound, Outbound

CHUNK_BYTES = 64 * 1024

MOST_UNREAD = 10_000
"""Messages that wait for a controller that does not read; then the oldest are given up."""

Arrived: TypeAlias = Callable[[Inbound | MessageRefused | None], None]
"""Told of each message and refusal, and of ``None`` at the end of the input."""


def read_forever(source: RawIOBase, arrived: Arrived) -> threading.Thread:
    """Start reading messages from ``source``; ``arrived`` is called on the reading thread.

    ``source`` is unbuffered (``sys.stdin.buffer.raw``): it gives what is there, and a
    reader that still waits when the program ends holds no lock that Python needs then.
    """

    def read() -> None:
        reader = MessageReader()
        while True:
            try:
                data = source.read(CHUNK_BYTES) or b""
            except (OSError, ValueError):  # the other end, or our own, was closed
                data = b""
            found = reader.feed(data) if data else reader.close()
            for message in found:
                arrived(message)
            if not data:
                arrived(None)
                return

    thread = threading.Thread(target=read, name="messages in", daemon=True)
    thread.start()
    return thread


def unbuffered_input() -> RawIOBase:
    """Standard input without Python's buffer around it."""
    return open(sys.stdin.fileno(), "rb", buffering=0, closefd=False)


class Writer:
    """Writes messages to ``sink`` from a thread of its own.

    ``lost`` counts messages given up because nobody read them; whoever reads again is told.
    """

    def __init__(self, sink: BinaryIO) -> None:
        self.lost = 0
        self._sink = sink
        self._waiting: queue.Queue[Outbound | None] = queue.Queue(MOST_UNREAD)
        self._thread = threading.Thread(target=self._write, name="messages out", daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        """Messages that nobody has read yet."""
        return self._waiting.qsize()

    def put(self, message: Outbound | None) -> None:
        """Queue a message; never waits."""
        while True:
            try:
                self._waiting.put_nowait(message)
                return
            except queue.Full:
                try:
                    self._waiting.get_nowait()
                    self.lost += 1
                except queue.Empty:
                    pass

    def close(self, timeout_s: float = 2.0) -> None:
        """Write what waits, at most for ``timeout_s``."""
        self.put(None)
        self._thread.join(timeout_s)

    def _write(self) -> None:
        told = 0
        while (message := self._waiting.get()) is not None:
            lost = self.lost
            try:
                if lost > told:
                    self._sink.write(encode(_given_up(lost - told, message.at_s)))
                    told = lost
                self._sink.write(encode(message))
                self._sink.flush()
            except (OSError, ValueError):
                return  # nobody reads any more; the session ends by its input or a signal


def _given_up(count: int, at_s: float) -> ErrorReported:
    return ErrorReported(
        at_s=at_s, what=f"{count} messages were given up: nobody read them.",
        where="messages out", do="Read all that the table says, or start a thread that does.",
    )  # fmt: skip
