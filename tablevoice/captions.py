"""What is said at a table as W3C WebVTT captions, one cue a line, with the voice's name.

Knows the format and how a file of it grows while the table runs; not where the lines come
from or where the file goes. Called by the session's record, so that a screen can show what an
arm says to people who do not hear it.
"""

from __future__ import annotations

import errno
import html
import math
import os
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Literal

from babel import Locale, UnknownLocaleError

_LRI, _RLI, _FSI, _PDI = "\u2066", "\u2067", "\u2068", "\u2069"
_ISOLATES = (_LRI, _RLI, _FSI)
_EMBEDDINGS = re.compile("[\u202a-\u202e]")
"""Embeddings and overrides: they would turn round what a screen shows beside the caption."""


@dataclass(frozen=True, slots=True)
class Cue:
    """``text`` said by ``voice`` from ``start_s`` to ``end_s`` of the session."""

    voice: str
    start_s: float
    end_s: float
    text: str


def webvtt(cues: Iterable[Cue], *, title: str = "", language: str = "") -> str:
    """A complete WebVTT file (W3C WebVTT: signature, cue timings, voice and language spans)."""
    blocks = (block(number, cue, language) for number, cue in enumerate(cues, 1))
    return heading(title) + "".join(blocks)


def heading(title: str = "") -> str:
    """The beginning of a file; by itself a complete one without cues."""
    return f"WEBVTT - {_one_line(title)}\n" if _one_line(title) else "WEBVTT\n"


def block(number: int, cue: Cue, language: str = "") -> str:
    """One cue with the blank line before it, to be put at the end of a file.

    ``language``: a BCP 47 tag, put around the words and asked for their direction.
    """
    words = html.escape(isolated(_one_line(cue.text), language), quote=False)
    if language:
        words = f"<lang {language}>{words}</lang>"
    name = html.escape(_one_line(cue.voice), quote=False)
    return f"\n{number}\n{_times(cue)}\n<v {name}>{words}</v>\n"


def isolated(text: str, language: str = "") -> str:
    """``text`` so that its direction keeps to itself (Unicode bidirectional algorithm, UAX #9).

    In a language that is written from the right, and wherever letters of one occur, the text
    stands between an isolate and its end; what would turn more than the text is taken out.
    """
    text = _EMBEDDINGS.sub("", text)
    if not _balanced(text):
        text = re.sub(f"[{_LRI}-{_PDI}]", "", text)
    way = direction(language)
    from_the_right = any(unicodedata.bidirectional(mark) in ("R", "AL", "AN") for mark in text)
    if way == "rtl" or (from_the_right and text):
        opening = {"rtl": _RLI, "ltr": _LRI, "unknown": _FSI}[way]
        return f"{opening}{text}{_PDI}"
    return text


def direction(language: str) -> Literal["ltr", "rtl", "unknown"]:
    """Which way a language is written, as babel's locale data (CLDR) has it."""
    try:
        way = Locale.parse(language, sep="-").text_direction if language else ""
    except (UnknownLocaleError, ValueError):
        return "unknown"
    return "rtl" if way == "rtl" else "ltr" if way == "ltr" else "unknown"


class CaptionFile:
    """A WebVTT file that grows by one cue as each line begins to sound.

    Whatever stops the program, what is in the file is a valid WebVTT file: a cue is written
    whole, with one call of the system and the end that is expected of it, and only the
    digits of that end are set right afterwards. ``anew``: write over an earlier file. Times are
    the session's. Raises ``OSError`` where the file cannot be made or written.
    """

    def __init__(
        self, path: Path, *, title: str = "", language: str = "", anew: bool = False
    ) -> None:
        self.path = path
        self._language = language
        self._number = 0
        self._sounding: dict[str, tuple[Cue, int]] = {}
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = path.open("wb" if anew else "xb", buffering=0)
        self._size = 0
        self._append(heading(title))

    def __enter__(self) -> CaptionFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def begin(self, utterance_id: str, cue: Cue) -> None:
        """A line begins to sound; ``cue.end_s`` is when it should be over."""
        self._number += 1
        written = block(self._number, cue, self._language)
        arrow_at = self._size + len(_bytes(written.partition(" --> ")[0]))
        self._append(written)
        self._sounding[utterance_id] = (cue, arrow_at)

    def end(self, utterance_id: str, end_s: float) -> bool:
        """That line is over, or was cut short; ``False`` when it never began."""
        if utterance_id not in self._sounding:
            return False
        cue, arrow_at = self._sounding.pop(utterance_id)
        expected, happened = _times(cue), _times(replace(cue, end_s=end_s))
        if happened != expected and len(happened) == len(expected):
            # Same length (below 100 hours, or above them): nothing else in the file moves.
            self._file.seek(arrow_at)
            self._write(_bytes(" --> " + happened.partition(" --> ")[2]))
        return True

    def close(self) -> None:
        """Nothing more comes. A second call does nothing."""
        self._file.close()

    def _append(self, text: str) -> None:
        written = _bytes(text)
        self._file.seek(self._size)
        self._write(written)
        self._size += len(written)

    def _write(self, data: bytes) -> None:
        written = self._file.write(data)
        if written != len(data):  # a full disk took a part: take it out again
            self._file.truncate(self._size)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "replace")


def _times(cue: Cue) -> str:
    end_s = max(cue.end_s, cue.start_s + 0.001)
    return f"{_timestamp(cue.start_s)} --> {_timestamp(end_s)}"


def _timestamp(time_s: float) -> str:
    ms = max(0, math.floor(time_s * 1000 + 0.5))
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _one_line(text: str) -> str:
    # A blank line would end the cue, and "-->" would be read as a timing.
    seen = (" " if unicodedata.category(mark) in ("Cc", "Cs") else mark for mark in text)
    return " ".join("".join(seen).split()).replace("-->", "→")


def _balanced(text: str) -> bool:
    """Whether every isolate of a text is ended within it."""
    depth = 0
    for mark in text:
        depth += (mark in _ISOLATES) - (mark == _PDI)
        if depth < 0:
            return False
    return depth == 0
