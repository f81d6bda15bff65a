"""The pronouncing dictionary that comes with PocketSphinx: words to phones.

Knows words of English only; what a phrasebook pronounces itself goes before it. Used by
whatever has to know how a word sounds.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from itertools import islice, product
from pathlib import Path
from types import MappingProxyType
from typing import TypeAlias

from tablevoice.errors import RecogniserUnavailable
from tablevoice.wording import normalise

Phones: TypeAlias = tuple[str, ...]

MOST_WAYS = 6
"""Ways of saying one phrase that are told apart (words with two pronunciations multiply)."""


def model_folder() -> Path:
    """Where the English model in the PocketSphinx wheel lies."""
    from pocketsphinx import get_model_path

    return Path(get_model_path()) / "en-us"


@cache
def dictionary() -> Mapping[str, tuple[Phones, ...]]:
    """Every word of the CMU dictionary in the PocketSphinx wheel, with its pronunciations.

    Raises RecogniserUnavailable where the file cannot be read.
    """
    path = model_folder() / "cmudict-en-us.dict"
    entries: dict[str, list[Phones]] = {}
    try:
        text = path.read_text("utf-8", errors="replace")
    except OSError as error:
        raise RecogniserUnavailable(
            f"the pronouncing dictionary cannot be read ({error.strerror}).",
            where=str(path),
            do="Install the pocketsphinx package again.",
        ) from error
    for line in text.splitlines():
        word, *said = line.split()
        entries.setdefault(word.partition("(")[0], []).append(tuple(said))
    return MappingProxyType({word: tuple(said) for word, said in entries.items()})


def ways_of_saying(phrase: str, extra: Mapping[str, tuple[str, ...]]) -> tuple[Phones, ...]:
    """The pronunciations of a phrase, at most ``MOST_WAYS``; ``extra`` goes before the dictionary.

    ``extra`` maps a word to pronunciations, each its phones with spaces between. Raises
    RecogniserUnavailable naming the words that neither has.
    """
    known = dictionary()
    own = {normalise(word): ways for word, ways in extra.items()}
    choices: list[tuple[Phones, ...]] = []
    missing = []
    for word in normalise(phrase).split():
        if word in own:
            choices.append(tuple(tuple(way.split()) for way in own[word]))
        elif word in known:
            choices.append(known[word])
        else:
            missing.append(word)
    if missing:
        raise RecogniserUnavailable(
            f"no dictionary says how {', '.join(missing)} sounds.",
            where=phrase,
            do="Give its phones under pronounce: in the phrasebook.",
        )
    ways = (tuple(phone for word in way for phone in word) for way in product(*choices))
    return tuple(islice(ways, MOST_WAYS))
