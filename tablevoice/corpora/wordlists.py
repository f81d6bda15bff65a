"""Which words people say beside the commands: ordinary ones, and those that sound like them.

Knows the pronouncing dictionary and the word frequencies that come with the PocketSphinx
model, and offers words; says nothing. Called where hard negatives are drawn and where a
set of words is judged.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tablevoice.corpora import phones as sound
from tablevoice.corpora.phones import Phones
from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.dictionary import dictionary, model_folder
from tablevoice.listening.pronouncing import offer_entry
from tablevoice.wording import normalise

_PLAIN = re.compile(r"[a-z]{2,}|[ai]")
_TOO_ALIKE = 0.3
"""Nearer than this nobody could tell them apart in a noisy room (homophones included)."""


@dataclass(frozen=True, slots=True, order=True)
class NearWord:
    """A word or phrase that sounds like another. ``distance``: in phones, smaller is nearer."""

    distance: float
    text: str


@cache
def words_by_frequency() -> tuple[str, ...]:
    """Some 67,000 words that people write and say, the commonest first.

    Those of the PocketSphinx model's language model that are plain letters and in the
    dictionary; among them names of people and places.
    """
    from pocketsphinx import Config, LogMath, NGramModel

    config: Any = Config(logfn=os.devnull, loglevel="FATAL")
    model: Any = NGramModel(config, LogMath(1.0001), str(model_folder() / "en-us.lm.bin"))
    lowest = model.prob(["<not a word>"])
    chances = {
        word: chance
        for word in dictionary()
        if _PLAIN.fullmatch(word) and (chance := model.prob([word])) > lowest
    }
    return tuple(sorted(chances, key=lambda word: (-chances[word], word)))


def ordinary_words(
    count: int, seed: int, *, without: Collection[str] = (), common: int = 6_000
) -> list[str]:
    """``count`` different words drawn from the ``common`` commonest, in random order.

    None of them is one of ``without`` (commands; their single words count too) or sounds
    the same as one. Raises ``ValueError`` where there are not so many.
    """
    taken = {word for phrase in without for word in normalise(phrase).split()}
    sounds = {said for word in taken for said in dictionary().get(word, ())}
    choice = [
        word
        for word in words_by_frequency()[:common]
        if len(word) > 2 and word not in taken and not sounds & set(dictionary()[word])
    ]
    if count > len(choice):
        raise ValueError(f"{count} words are wanted, there are {len(choice)}")
    drawn = np.random.RandomState(seed & 0xFFFF_FFFF).permutation(len(choice))[:count]
    return [choice[int(index)] for index in drawn]


def pronounced(phrase: str, extra: Mapping[str, tuple[str, ...]] | None = None) -> Phones:
    """The first pronunciation of each word of ``phrase``, one after another.

    ``extra``: pronunciations that the dictionary lacks, as a phrasebook has them
    (``{"zaffre": ("Z AE F ER",)}``). Raises :class:`RecogniserUnavailable` naming every
    word that is in neither, with guesses.
    """
    own = {normalise(word): said for word, said in (extra or {}).items()}
    words = normalise(phrase).split()
    missing = [word for word in words if word not in own and word not in dictionary()]
    if missing:
        raise RecogniserUnavailable(
            f"the dictionary has no word {', '.join(map(repr, missing))}.",
            do="Take another word, or add to the phrasebook, and listen whether it is right:\n"
            + offer_entry(missing, {word: " ".join(s[0]) for word, s in dictionary().items()}),
        )
    said: list[str] = []
    for word in words:
        said += own[word][0].split() if word in own else dictionary()[word][0]
    unknown = sorted(set(said) - set(sound.PHONES))
    if unknown:
        raise RecogniserUnavailable(
            f"{', '.join(unknown)} is no phone.",
            where=phrase,
            do=f"Use: {' '.join(sound.PHONES)}.",
        )
    return tuple(said)


def near_words(
    phrase: str,
    count: int,
    *,
    extra: Mapping[str, tuple[str, ...]] | None = None,
    common: int | None = 20_000,
) -> list[NearWord]:
    """The ``count`` nearest in pronunciation, nearest first; ``common``: among that many of the
    commonest words (all when ``None``).

    Words that sound the same or have the whole phrase in them ("pauses") are left out. In a
    phrase of several words one word is exchanged at a time.
    """
    words = normalise(phrase).split()
    if len(words) == 1:
        return _near(pronounced(phrase, extra), set(words), count, common)
    found: set[NearWord] = set()
    for at, word in enumerate(words):
        for near in _near(pronounced(word, extra), {word}, count, common):
            text = " ".join([*words[:at], near.text, *words[at + 1 :]])
            found.add(NearWord(near.distance, text))
    return sorted(found)[:count]


def parts(
    phrase: str, *, extra: Mapping[str, tuple[str, ...]] | None = None, common: int | None = 20_000
) -> list[str]:
    """What is said when a command is begun or ended only, as texts that can be spoken.

    The words of a phrase without its first or last, and for the first and last syllables of
    each word of several the ordinary word that sounds most like them ("am" and "burr").
    """
    words = normalise(phrase).split()
    found = [" ".join(words[:end]) for end in range(1, len(words))]
    found += [" ".join(words[start:]) for start in range(1, len(words))]
    for word in words:
        by_syllable = sound.syllables(pronounced(word, extra))
        for cut in range(1, len(by_syllable)):
            for half in (by_syllable[:cut], by_syllable[cut:]):
                said = tuple(phone for syllable in half for phone in syllable)
                found += [near.text for near in _near(said, {word, *words}, 1, common, alike=True)]
    return [text for text in dict.fromkeys(found) if text != " ".join(words)]


def _near(
    said: Phones,
    without: Collection[str],
    count: int,
    common: int | None,
    *,
    alike: bool = False,
) -> list[NearWord]:
    best: dict[str, float] = {}
    allowed = None if common is None else set(words_by_frequency()[:common])
    for length, (words, rows) in _by_length().items():
        if abs(length - len(said)) > max(2, len(said) // 2):
            continue
        away = sound.distances(said, rows)
        for index in np.argsort(away, kind="stable")[: 20 * count + 200]:
            word, cost = words[int(index)], float(away[int(index)])
            if word in without or (allowed is not None and word not in allowed):
                continue
            if not alike and (cost < _TOO_ALIKE or _holds(rows[int(index)], said)):
                continue
            best[word] = min(cost, best.get(word, cost))
    # One that can sound too much alike in another pronunciation is out.
    if not alike:
        best = {word: cost for word, cost in best.items() if not _may_be_taken(word, said)}
    return sorted(NearWord(round(cost, 3), word) for word, cost in best.items())[:count]


def _may_be_taken(word: str, said: Phones) -> bool:
    return any(sound.distance(said, other) < _TOO_ALIKE for other in dictionary()[word])


def _holds(row: NDArray[np.int64], said: Phones) -> bool:
    own, n = sound.encoded(said), len(said)
    return any(bool((row[at : at + n] == own).all()) for at in range(len(row) - n + 1))


@cache
def _by_length() -> Mapping[int, tuple[tuple[str, ...], NDArray[np.int64]]]:
    """Ordinary words and their phones as numbers, by how many phones they have."""
    words: dict[int, list[str]] = {}
    rows: dict[int, list[NDArray[np.int64]]] = {}
    for word in words_by_frequency():
        for said in dictionary()[word]:
            words.setdefault(len(said), []).append(word)
            rows.setdefault(len(said), []).append(sound.encoded(said))
    return {n: (tuple(words[n]), np.stack(rows[n])) for n in sorted(words)}
