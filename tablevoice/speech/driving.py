"""What the engine's process asks of a driver, and how pieces of a line travel to it.

Knows no engine. Each driver module beside this one drives one kind of engine; the engine's
process opens one of them, the client of it writes requests with what is here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Protocol

from tablevoice.markup import Pause, Piece, Pieces, Words
from tablevoice.model import Pronunciation

NEUTRAL_PITCH = 50
NATURAL_WPM = 160
"""The words a minute of a cell file that mean the pace a recorded voice was made with."""

VOICE_FILES = {"piper": ".onnx"}
"""Engines whose voices may also be files of the user's, and how those end."""


class VoiceUnknown(Exception):
    """No such voice, or no such variant of it."""


class TextRefused(Exception):
    """The text or a setting cannot be rendered."""


class Driver(Protocol):
    """One kind of engine. Not thread-safe; lives in the only thread of a process."""

    driver: str
    whole: bool
    """Whether pauses and emphasis are the engine's own doing; else it gets words only."""

    def version(self) -> str:
        """Driver and engine version: whatever may change how a text sounds."""
        ...

    def voices(self) -> list[str]:
        """Names that may stand in a cell file."""
        ...

    def variants(self) -> list[str]:
        """What may follow a ``+`` after a voice."""
        ...

    def render(self, pieces: Pieces, voice: str, rate_wpm: int, pitch: int, file: str) -> None:
        """Write the pieces to ``file``, mono, in a format that libsndfile reads.

        Raises :class:`VoiceUnknown` or :class:`TextRefused`.
        """
        ...


def packed(pieces: Iterable[Piece]) -> list[dict[str, Any]]:
    """Pieces as JSON values."""
    out: list[dict[str, Any]] = []
    for piece in pieces:
        if isinstance(piece, Pause):
            out.append({"pause_s": piece.seconds})
            continue
        how = piece.said_as or Pronunciation()
        out.append(
            {
                "words": piece.text,
                "emphasised": piece.emphasised,
                "ipa": how.ipa,
                "respelling": how.respelling,
            }
        )
    return out


def unpacked(values: Iterable[dict[str, Any]]) -> Pieces:
    """Pieces out of what :func:`packed` made."""
    pieces: list[Piece] = []
    for value in values:
        if "pause_s" in value:
            pieces.append(Pause(float(value["pause_s"])))
            continue
        how = Pronunciation(str(value["ipa"]), str(value["respelling"]))
        said_as = how if how != Pronunciation() else None
        pieces.append(Words(str(value["words"]), bool(value["emphasised"]), said_as))
    return tuple(pieces)


def respelt(words: Words) -> str:
    """What is written for words to an engine that takes no sounds.

    Raises :class:`TextRefused` where there are sounds alone.
    """
    if words.said_as is None:
        return words.text
    if not words.said_as.respelling:
        raise TextRefused(
            f"{words.text!r} has sounds (ipa) and no respelling, and this voice takes no sounds;"
            " add 'say:' to its entry under 'pronounce:'"
        )
    return words.said_as.respelling


def as_text(pieces: Pieces, sounded: Callable[[str], str | None] = lambda ipa: None) -> str:
    """Words as one text; ``sounded`` gives the engine's own code for sounds, if it has one.

    Raises :class:`TextRefused`.
    """
    out = []
    for piece in pieces:
        if isinstance(piece, Pause):
            raise TextRefused("this engine takes no pauses")
        ipa = piece.said_as.ipa if piece.said_as is not None else ""
        code = sounded(ipa) if ipa else None
        out.append(respelt(piece) if code is None else code)
    return "".join(out)


def check_pitch(pitch: int, engine: str) -> None:
    """Raises :class:`TextRefused` for a pitch where voices have the one they were made with."""
    if pitch != NEUTRAL_PITCH:
        raise TextRefused(
            f"pitch {pitch} is asked for, but the voices of {engine} have one pitch;"
            f" set pitch to {NEUTRAL_PITCH}"
        )
