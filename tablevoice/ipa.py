"""Sounds of English written in the International Phonetic Alphabet, and the same in ARPABET.

Knows broad transcriptions as English dictionaries print them, British and American; not how
any engine or recogniser is driven. The phrasebook checks its entries with it and shares them
with the recogniser; the engines' drivers turn the symbols into their own.
"""

from __future__ import annotations

import re
import unicodedata

STRESS = {"ˈ": "primary", "ˌ": "secondary"}
_SEPARATORS = ". "
_IGNORED = re.compile("[\u0361\u035c/\\[\\]]")
"""Tie bars, and the slashes or brackets around a transcription."""

ARPABET_OF: dict[str, str] = {
    # Vowels. The CMU dictionary's accent is American: British vowels go to the nearest one.
    "iː": "IY", "i": "IY", "ɪ": "IH", "ᵻ": "IH", "e": "EH", "ɛ": "EH", "æ": "AE", "a": "AE",
    "ɑː": "AA", "ɑ": "AA", "ɒ": "AA", "ɔː": "AO", "ɔ": "AO", "ʊ": "UH", "uː": "UW", "u": "UW",
    "ʌ": "AH", "ə": "AH", "ɐ": "AH", "ɜː": "ER", "ɜ": "ER", "ɝ": "ER", "ɝː": "ER", "ɚ": "ER",
    "eɪ": "EY", "aɪ": "AY", "ɔɪ": "OY", "aʊ": "AW", "oʊ": "OW", "əʊ": "OW", "o": "OW", "oː": "AO",
    "ɪə": "IH R", "iə": "IY AH", "eə": "EH R", "ɛə": "EH R", "ɛː": "EH R", "ʊə": "UH R",
    "n̩": "AH N", "l̩": "AH L", "m̩": "AH M",
    # Consonants.
    "p": "P", "b": "B", "t": "T", "d": "D", "k": "K", "ɡ": "G", "g": "G",
    "tʃ": "CH", "ʧ": "CH", "dʒ": "JH", "ʤ": "JH", "f": "F", "v": "V", "θ": "TH", "ð": "DH",
    "s": "S", "z": "Z", "ʃ": "SH", "ʒ": "ZH", "h": "HH", "m": "M", "n": "N", "ŋ": "NG",
    "l": "L", "ɫ": "L", "ɹ": "R", "r": "R", "j": "Y", "w": "W", "ʍ": "W",
    "x": "K", "ɾ": "T", "ʔ": "T",
}  # fmt: skip
"""IPA symbol to phones of the CMU Pronouncing Dictionary (its documentation lists the 39)."""

_SYMBOLS = sorted([*ARPABET_OF, *STRESS, "."], key=lambda symbol: -len(symbol))
_TOKEN = re.compile("|".join(map(re.escape, _SYMBOLS)) + "| +")


class UnknownSymbol(ValueError):
    """A transcription holds something that is no English sound: ``symbol``, at ``at``."""

    def __init__(self, symbol: str, at: int) -> None:
        super().__init__(f"{symbol!r} (character {at + 1}) is no sound of English in IPA")
        self.symbol = symbol
        self.at = at


def symbols_of(ipa: str) -> tuple[str, ...]:
    """The symbols of an English transcription, stress marks and single spaces among them.

    Raises :class:`UnknownSymbol`.
    """
    text = unicodedata.normalize("NFC", ipa)
    found: list[str] = []
    at = 0
    while at < len(text):
        if _IGNORED.match(text, at):
            at += 1
            continue
        token = _TOKEN.match(_IGNORED.sub("", text[at : at + 8]))
        if token is None:
            raise UnknownSymbol(text[at], at)
        symbol = token.group().strip() or " "
        if symbol != ".":
            found.append(symbol)
        # What was ignored inside the symbol (a tie bar) is stepped over too.
        left = len(token.group())
        while left:
            left -= _IGNORED.match(text, at) is None
            at += 1
    return tuple(found)


def sounds_of(ipa: str) -> tuple[str, ...]:
    """The symbols without stress and spaces. Raises :class:`UnknownSymbol`."""
    return tuple(s for s in symbols_of(ipa) if s not in STRESS and s not in _SEPARATORS)


def arpabet(ipa: str) -> str:
    """An English transcription as phones of the CMU dictionary, without stress.

    Raises :class:`UnknownSymbol`.
    """
    phones = " ".join(ARPABET_OF[symbol] for symbol in sounds_of(ipa))
    # A schwa before an r is one phone there.
    return re.sub(r"\bAH R\b", "ER", re.sub(r"\bER R\b(?= |$)", "ER", phones))
