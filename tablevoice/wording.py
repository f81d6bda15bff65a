"""The one form in which phrases are compared: lower case, no punctuation, single spaces.

Knows text only. Recognisers use it to build grammars, matching to compare what was
heard with what is allowed, the phrasebook's checks to find phrases that sound the same.
"""

from __future__ import annotations

import re
import unicodedata

_NOT_A_WORD = re.compile(r"[^\w'\s-]+", re.UNICODE)
_EDGE = re.compile(r"(?<!\w)['-]+|['-]+(?!\w)")


def normalise(phrase: str) -> str:
    """``"Hold on, please!"`` -> ``"hold on please"``; any script, composed form (NFC)."""
    text = unicodedata.normalize("NFC", phrase).casefold().replace("\u2019", "'")
    text = _NOT_A_WORD.sub(" ", text).replace("_", " ")
    return " ".join(_EDGE.sub(" ", text).split())


def words_of(phrases: frozenset[str]) -> list[str]:
    """Every word of some normalised phrases, once, sorted."""
    return sorted({word for phrase in phrases for word in phrase.split()})
