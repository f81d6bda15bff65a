"""Takes out of a text whatever an engine might obey instead of saying it.

What is left is words. Knows what the engines take for commands, markup or sounds, not how they
are driven. The client of the engines cleans all that it hands on; so do the corpora.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace
from typing import TypeAlias

from tablevoice.markup import Piece, Pieces, Words, words_alone

Said: TypeAlias = str | Pieces
"""What is said: plain words, or the pieces of a marked line."""


def plain_text(text: str, engine: str = "espeak") -> str:
    """``text`` as nothing but words: what an engine might take for a command is taken out.

    Control, format and private-use characters become spaces (espeak-ng obeys commands
    that start with U+0001), so do square brackets (sounds to espeak-ng, piper and hibari,
    commands to the macOS voices), and for ``system`` engines ``<`` and ``>`` (SAPI reads
    them as markup). White space is folded. The result may be empty.
    """
    return _folded(text, engine).strip()


def plain_pieces(said: Said, engine: str = "espeak") -> Pieces:
    """The pieces with :func:`plain_text`, but for a space at their ends; empty without words.

    Respellings and sounds come from a phrasebook, and are held to the same.
    """
    if isinstance(said, str):
        text = plain_text(said, engine)
        return (Words(text),) if text else ()
    pieces: list[Piece] = []
    for piece in said:
        if not isinstance(piece, Words):
            pieces.append(piece)
            continue
        how = piece.said_as
        if how is not None:
            ipa, respelling = plain_text(how.ipa, engine), plain_text(how.respelling, engine)
            how = replace(how, ipa=ipa, respelling=respelling)
        pieces.append(replace(piece, text=_folded(piece.text, engine), said_as=how))
    return tuple(pieces) if words_alone(pieces).strip() else ()


def _folded(text: str, engine: str) -> str:
    words = "".join(" " if unicodedata.category(char)[0] == "C" else char for char in text)
    words = re.sub(r"[\[\]]" if engine == "espeak" else r"[][<>]", " ", words)
    return re.sub(r"\s+", " ", words)
