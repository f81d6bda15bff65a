"""Cuts a stream of bytes into lines of bounded length.

Knows newlines and nothing of what a line says; stores at most one line. The reader of
messages feeds it what arrived.
"""

from __future__ import annotations

from tablevoice.errors import MessageRefused

LONGEST_LINE_BYTES = 64 * 1024
"""Above any message of the schema, below what could hurt a small computer."""


class LineReader:
    """Cuts a stream of bytes into lines, never storing more than one line's limit.

    A line longer than ``longest_bytes`` gives one refusal and is skipped up to its
    newline. ``\\r\\n`` ends a line as well as ``\\n``; blank lines are passed over.
    """

    def __init__(self, longest_bytes: int = LONGEST_LINE_BYTES) -> None:
        self._longest = longest_bytes
        self._held = bytearray()
        self._skipping = False
        self.line_number = 1
        """Number of the line that is being read, from 1."""

    def feed(self, data: bytes) -> list[tuple[int, bytes | MessageRefused]]:
        """The lines that ``data`` completes, each with its number and without its newline."""
        lines: list[tuple[int, bytes | MessageRefused]] = []
        begin = 0
        while (end := data.find(b"\n", begin)) >= 0:
            self._take(data, begin, end, lines)
            self._finish(lines)
            begin = end + 1
        self._take(data, begin, len(data), lines)
        return lines

    def close(self) -> list[tuple[int, bytes | MessageRefused]]:
        """What is left when the stream ends: a last line without a newline counts."""
        lines: list[tuple[int, bytes | MessageRefused]] = []
        self._finish(lines)
        return lines

    def _take(
        self, data: bytes, begin: int, end: int, lines: list[tuple[int, bytes | MessageRefused]]
    ) -> None:
        if self._skipping:
            return
        # One byte more is allowed for the "\r" of a "\r\n" that is still to come.
        if len(self._held) + end - begin > self._longest + 1:
            self._skipping = True
            self._held = bytearray()
            lines.append((self.line_number, _too_long(self.line_number, self._longest)))
        else:
            self._held += memoryview(data)[begin:end]

    def _finish(self, lines: list[tuple[int, bytes | MessageRefused]]) -> None:
        if not self._skipping:
            line = bytes(self._held).removesuffix(b"\r")
            if len(line) > self._longest:
                lines.append((self.line_number, _too_long(self.line_number, self._longest)))
            elif line.strip():
                lines.append((self.line_number, line))
        self._held = bytearray()
        self._skipping = False
        self.line_number += 1


def _too_long(number: int, longest_bytes: int) -> MessageRefused:
    return MessageRefused(
        f"the line is longer than {longest_bytes} bytes; it was skipped up to its end",
        where=f"line {number}",
        do="Send one message a line, each ended by a newline.",
    )
