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

    Some 80 MB, for who needs all of it; :func:`said_as` looks up single words. Raises
    RecogniserUnavailable where the file cannot be read.
    """
    entries: dict[str, list[Phones]] = {}
    for line in _text().split("\n"):
        if line:
            word, *said = line.split()
            entries.setdefault(word.partition("(")[0], []).append(tuple(said))
    return MappingProxyType({word: tuple(said) for word, said in entries.items()})


@cache
def said_as(word: str) -> tuple[Phones, ...]:
    """The pronunciations of one word, none where the dictionary does not have it.

    Raises RecogniserUnavailable where the file cannot be read.
    """
    text = _text()
    ways: list[Phones] = []
    start = text.find(f"\n{word} ") + 1
    while start > 0:
        end = text.index("\n", start)
        ways.append(tuple(text[start:end].split()[1:]))
        # Its other pronunciations, "word(2)" and so on, are the next lines.
        start = end + 1 if text.startswith(f"{word}(", end + 1) else 0
    return tuple(ways)


@cache
def _text() -> str:
    """The file, with a line break at either end."""
    path = model_folder() / "cmudict-en-us.dict"
    try:
        text = path.read_text("utf-8", errors="replace")
    except OSError as error:
        raise RecogniserUnavailable(
            f"the pronouncing dictionary cannot be read ({error.strerror}).",
            where=str(path),
            do="Install the pocketsphinx package again.",
        ) from error
    return f"\n{text}\n"


def ways_of_saying(phrase: str, extra: Mapping[str, tuple[str, ...]]) -> tuple[Phones, ...]:
    """The pronunciations of a phrase, at most ``MOST_WAYS``; ``extra`` goes before the dictionary.

    ``extra`` maps a word to pronunciations, each its phones with spaces between. Raises
    RecogniserUnavailable naming the words that neither has.
    """
    own = {normalise(word): ways for word, ways in extra.items()}
    choices: list[tuple[Phones, ...]] = []
    missing = []
    for word in normalise(phrase).split():
        if word in own:
            choices.append(tuple(tuple(way.split()) for way in own[word]))
        elif known := said_as(word):
            choices.append(known)
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
