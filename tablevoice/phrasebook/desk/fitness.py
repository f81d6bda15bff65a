"""Words in lines that are unfit for the audience that the cell file names.

Words are compared by their stems (Snowball's, by `snowballstemmer`) and as a whole: "damned"
is found by "damn", "Scunthorpe" by nothing. Knows words, not what a line means by them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache

import snowballstemmer

from tablevoice.phrasebook.desk.house_style import Audience
from tablevoice.phrasebook.desk.manuscript import Manuscript
from tablevoice.phrasebook.desk.notes import Note, several
from tablevoice.phrasebook.desk.phrase_search import PhraseSearch, words_of
from tablevoice.phrasebook.desk.self_hearing import values_in
from tablevoice.phrasebook.desk.word_lists import FitFor, unfit_for

# Snowball's names for languages, by BCP 47's.
STEMMERS = {
    "ar": "arabic", "ca": "catalan", "da": "danish", "de": "german", "el": "greek",
    "en": "english", "es": "spanish", "et": "estonian", "eu": "basque", "fi": "finnish",
    "fr": "french", "ga": "irish", "hi": "hindi", "hu": "hungarian", "hy": "armenian",
    "id": "indonesian", "it": "italian", "lt": "lithuanian", "ne": "nepali", "nl": "dutch",
    "no": "norwegian", "nb": "norwegian", "pt": "portuguese", "ro": "romanian", "ru": "russian",
    "sr": "serbian", "sv": "swedish", "ta": "tamil", "tr": "turkish",
}  # fmt: skip


def read_fitness(
    text: Manuscript, words: Mapping[str, FitFor], audience: Audience
) -> Iterator[Note]:
    """Notes on unfit words (W601) in lines and in the values of slots."""
    unfit = [word for word, fit_for in words.items() if unfit_for(fit_for, audience)]
    search = PhraseSearch(unfit, stem_of(text.language))
    for _, line in text.lines():
        sequence = words_of(line.pieces)
        found = list(
            dict.fromkeys(
                one.phrase for one in search.in_line(sequence, values_in(text, line, sequence))
            )
        )
        if found:
            yield line.note(
                "W601", f"{line.quoted}: {several(found)} is unfit for {_whom(audience)}.",
                "Say it otherwise, or list it as fit under 'writing: word_lists:'.",
            )  # fmt: skip
    for slot in text.slots.values():
        for value, place in slot.values:
            found = search.in_text(str(value))
            if found:
                yield slot.note(
                    "W601", f"the value “{value}” of slot {slot.name!r}: {several(found)} is "
                    f"unfit for {_whom(audience)}.",
                    "Name it otherwise, or list it as fit under 'writing: word_lists:'.",
                    place)  # fmt: skip


def stem_of(language: str) -> Callable[[str], str]:
    """The stem of a normalised word; the word itself in a language without a stemmer."""
    if language not in STEMMERS:
        return str
    stemmer = snowballstemmer.stemmer(STEMMERS[language])

    @lru_cache(maxsize=16_384)
    def stem(word: str) -> str:
        return str(stemmer.stemWord(word.removesuffix("'s")))

    return stem


def _whom(audience: Audience) -> str:
    return {"children": "children", "general": "a general audience", "adults": "adults"}[audience]
