"""Offers phones for words that a pronouncing dictionary lacks.

Knows spelling only, so what it offers is a start to be listened to and corrected, never
something to be used unasked. The PocketSphinx recogniser puts its offers into the error
that names the missing words.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

from rapidfuzz import fuzz, process

# Letters to ARPABET, longest first: the commonest sound of each spelling in English.
_SOUNDS: dict[str, str] = {
    "tion": "SH AH N",
    "ough": "AO",
    "igh": "AY",
    "tch": "CH",
    "dge": "JH",
    "ch": "CH",
    "sh": "SH",
    "th": "TH",
    "ph": "F",
    "wh": "W",
    "ck": "K",
    "ng": "NG",
    "qu": "K W",
    "ee": "IY",
    "ea": "IY",
    "oo": "UW",
    "ou": "AW",
    "ow": "OW",
    "oi": "OY",
    "oy": "OY",
    "ai": "EY",
    "ay": "EY",
    "au": "AO",
    "aw": "AO",
    "oa": "OW",
    "ar": "AA R",
    "er": "ER",
    "ir": "ER",
    "or": "AO R",
    "ur": "ER",
    "a": "AE",
    "b": "B",
    "c": "K",
    "d": "D",
    "e": "EH",
    "f": "F",
    "g": "G",
    "h": "HH",
    "i": "IH",
    "j": "JH",
    "k": "K",
    "l": "L",
    "m": "M",
    "n": "N",
    "o": "AA",
    "p": "P",
    "q": "K",
    "r": "R",
    "s": "S",
    "t": "T",
    "u": "AH",
    "v": "V",
    "w": "W",
    "x": "K S",
    "y": "IY",
    "z": "Z",
}
_PIECE = re.compile("|".join(sorted(_SOUNDS, key=lambda piece: (-len(piece), piece))))
_SHORTEST_PART = 3


def guess_phones(word: str, dictionary: Mapping[str, str]) -> str:
    """Phones for ``word``: those of the two words it is put together from, else by its letters.

    ``dictionary`` maps words to phones. Empty where no letter of it is known.
    """
    for cut in range(_SHORTEST_PART, len(word) - _SHORTEST_PART + 1):
        first, second = dictionary.get(word[:cut]), dictionary.get(word[cut:])
        if first and second:
            return f"{first} {second}"
    letters = re.sub(r"(.)\1", r"\1", word)  # a doubled letter is one sound
    if letters.endswith("e") and len(letters) > 3:  # a final e is mute
        letters = letters[:-1]
    return " ".join(_SOUNDS[piece] for piece in _PIECE.findall(letters))


def nearest_words(word: str, words: Collection[str], count: int = 2) -> list[str]:
    """The words spelt most like ``word``, best first."""
    found = process.extract(word, words, scorer=fuzz.ratio, limit=count)
    return [name for name, _, _ in found]


def offer_entry(missing: Collection[str], dictionary: Mapping[str, str]) -> str:
    """A ``pronounce:`` entry to paste into the phrasebook, each with its nearest known words."""
    lines = ["pronounce:"]
    for word in missing:
        near = ", ".join(
            f"{name} is {dictionary[name]}" for name in nearest_words(word, dictionary.keys())
        )
        guess = guess_phones(word, dictionary) or "?"
        lines.append(f"  {word}: {guess}    # guessed from its letters; {near}")
    return "\n".join(lines)
