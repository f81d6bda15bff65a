"""A marked line as espeak-ng reads it: SSML, with its own names of sounds, for it reads no IPA.

Pure text, and shaped by what espeak-ng 1.52 was found to do: a tag or a full stop right behind
a name of a sound is read aloud ("slash speak", "dot"), and so is a full stop between two tags.
All text is escaped, so nothing of a line is obeyed. Called by the driver.
"""

from __future__ import annotations

import re
from dataclasses import replace
from xml.sax.saxutils import escape

from tablevoice import ipa
from tablevoice.markup import Pause, Piece, Pieces, Words, break_element, emphasis_element
from tablevoice.speech.driving import TextRefused, respelt

_EMPHASIS_OF_SOUNDS = '<prosody rate="87%" volume="120">{}</prosody>'
"""espeak-ng 1.52 gives sounds no emphasis; this is as slow and as loud as its own (measured)."""

MNEMONICS = {
    "ˈ": "'", "ˌ": ",", " ": " ",
    "iː": "i:", "i": "i", "ɪ": "I", "ᵻ": "I2", "e": "E", "ɛ": "E", "æ": "a", "a": "a",
    "ɑː": "A:", "ɑ": "A:", "ɒ": "0", "ɔː": "O:", "ɔ": "O:", "ʊ": "U", "uː": "u:", "u": "u:",
    "ʌ": "V", "ə": "@", "ɐ": "V", "ɜː": "3:", "ɜ": "3:", "ɝ": "3:", "ɝː": "3:", "ɚ": "3",
    "eɪ": "eI", "aɪ": "aI", "ɔɪ": "OI", "aʊ": "aU", "oʊ": "oU", "əʊ": "oU", "o": "oU", "oː": "O:",
    "ɪə": "i@3", "iə": "i@3", "eə": "e@", "ɛə": "e@", "ɛː": "e@", "ʊə": "U@",
    "n̩": "@n", "l̩": "@L", "m̩": "@m",
    "p": "p", "b": "b", "t": "t", "d": "d", "k": "k", "ɡ": "g", "g": "g",
    "tʃ": "tS", "ʧ": "tS", "dʒ": "dZ", "ʤ": "dZ", "f": "f", "v": "v", "θ": "T", "ð": "D",
    "s": "s", "z": "z", "ʃ": "S", "ʒ": "Z", "h": "h", "m": "m", "n": "n", "ŋ": "N",
    "l": "l", "ɫ": "l", "ɹ": "r", "r": "r", "j": "j", "w": "w", "ʍ": "w",
    "x": "x", "ɾ": "t", "ʔ": "?",
}  # fmt: skip
"""IPA to the names that espeak-ng 1.52's English voices give to their sounds."""

_STOPS = re.compile(r"[^\w\s(\[“‘«¿¡]+")
"""Punctuation at the beginning of a piece that belongs to the word before it."""


def needs_ssml(pieces: Pieces) -> bool:
    """Whether there is anything that plain text cannot say."""
    return any(
        isinstance(piece, Pause)
        or piece.emphasised
        or (piece.said_as is not None and bool(piece.said_as.ipa))
        for piece in pieces
    )


def espeak_ssml(pieces: Pieces, *, english: bool) -> str:
    """What espeak-ng gets, to be read with its SSML and phoneme flags.

    Sounds are for English voices; elsewhere a respelling does. Raises :class:`TextRefused`.
    """
    out = []
    for piece in _with_their_stops(pieces, english):
        if isinstance(piece, Pause):
            out.append(break_element(piece))
            continue
        sounds = _mnemonics(piece, english)
        if sounds is None:
            said = escape(respelt(piece))
            out.append(emphasis_element(said) if piece.emphasised else said)
        else:
            said = f"[[{sounds}]] "
            out.append(_EMPHASIS_OF_SOUNDS.format(said) if piece.emphasised else said)
    return f"<speak>{''.join(out)} </speak>"


def _with_their_stops(pieces: Pieces, english: bool) -> list[Piece]:
    """Pieces with no stop where it would be read aloud."""
    found: list[Piece] = []
    for index, piece in enumerate(pieces):
        before = found[-1] if found else None
        stops = _STOPS.match(piece.text) if isinstance(piece, Words) else None
        if stops is None or not isinstance(piece, Words) or not isinstance(before, Words):
            found.append(piece)
            continue
        rest = piece.text[stops.end() :]
        if _mnemonics(before, english) is not None:
            if not any(char.isalnum() for char in rest):
                following = pieces[index + 1] if index + 1 < len(pieces) else None
                mark = ";" if isinstance(following, Words) else ""
                rest = f"{mark}{rest}"
            else:
                rest = piece.text
        elif before.said_as is None:
            found[-1] = replace(before, text=before.text + stops.group())
        else:
            how = replace(before.said_as, respelling=respelt(before) + stops.group())
            found[-1] = replace(before, said_as=how)
        if rest:
            found.append(replace(piece, text=rest))
    return found


def _mnemonics(words: Words, english: bool) -> str | None:
    """espeak-ng's names of the sounds of words; ``None`` where they are to be respelt."""
    if words.said_as is None or not words.said_as.ipa:
        return None
    if not english:
        if words.said_as.respelling:
            return None
        raise TextRefused(
            f"{words.text!r} has sounds (ipa) and no respelling, and espeak takes sounds in"
            " English voices only; add 'say:' to its entry under 'pronounce:'"
        )
    try:
        return "".join(MNEMONICS[symbol] for symbol in ipa.symbols_of(words.said_as.ipa))
    except ipa.UnknownSymbol as unknown:
        raise TextRefused(f"the sounds of {words.text!r}: {unknown}") from unknown
