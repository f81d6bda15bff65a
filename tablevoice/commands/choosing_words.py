"""Measures how easily a set of command words is confused, and looks for better words.

Two ways that know nothing of each other: how alike the words are pronounced, and what the
real recogniser makes of them, said by many speakers in the noise of a shop, with exactly
this set as its grammar. Called by ``tablevoice words``, which prints and draws.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tablevoice.corpora import phones as sound
from tablevoice.corpora.mixing import mixed, padded, recorded
from tablevoice.corpora.noises import noise, noise_from_file
from tablevoice.corpora.phones import Phones
from tablevoice.corpora.plain_words import same_kind
from tablevoice.corpora.rendering import Progress, Request, render, rendered_clips
from tablevoice.corpora.speakers import (
    Speaker,
    any_manner,
    sample_of_speakers,
    speakers,
)
from tablevoice.corpora.wordlists import pronounced, words_by_frequency
from tablevoice.errors import Problem, RecogniserUnavailable, TablevoiceError
from tablevoice.evaluation.intervals import Share, wilson
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import Samples
from tablevoice.wording import normalise

MOST_WORDS = 60
NOT_HEARD = "(nothing)"

_BEFORE_S, _AFTER_S = 0.3, 0.3
_NOISE_PIECES = 8
_NOISE_PIECE_S = 6.0
_MANNER_STRENGTH = 0.6
_FAR_ENOUGH_PHONES = 3.5
"""Beyond this the commoner word is the better one, not the still more different."""
_WORTH_A_CHANGE_PHONES = 0.25


@dataclass(frozen=True, slots=True)
class Trials:
    """How the words are tried. ``noise``: a name of :mod:`tablevoice.corpora.noises` or a file."""

    snrs_db: tuple[float, ...] = (10.0, 0.0)
    speakers: int = 12
    noise: str = "shop"
    seed: int = 1
    recogniser: str = "pocketsphinx"
    model: str | None = None
    language: str = "en"
    pronunciations: Mapping[str, tuple[str, ...]] = field(
        default_factory=lambda: MappingProxyType({})
    )


@dataclass(frozen=True, slots=True)
class Pair:
    """Two words: their distance in phones, and how often one was heard for the other."""

    first: str
    second: str
    distance: float
    confused: Share


@dataclass(frozen=True, slots=True)
class Confusability:
    """What was measured of one set of words.

    ``distances``: shape ``(words, words)``, in phones. ``heard``: for each SNR how often a
    word (row) was heard as each word (column), the last column as nothing at all.
    """

    words: tuple[str, ...]
    distances: NDArray[np.float64]
    heard: Mapping[float, NDArray[np.int64]]
    speakers: tuple[Speaker, ...]

    def counts(self, snr_db: float | None = None) -> NDArray[np.int64]:
        """Said (rows) and heard (columns) at one SNR, or at all of them."""
        if snr_db is not None:
            return self.heard[snr_db]
        return np.asarray(sum(self.heard.values()), dtype=np.int64)

    def right(self, word: str | None = None, snr_db: float | None = None) -> Share:
        """How often a word, or any word, was heard as what it was."""
        counts = self.counts(snr_db)
        rows = range(len(self.words)) if word is None else [self.words.index(word)]
        return wilson(
            int(sum(counts[row, row] for row in rows)), int(sum(counts[row].sum() for row in rows))
        )

    def nearest(self, word: str) -> tuple[str, float]:
        """The word that is pronounced most like it, and the distance in phones."""
        row = self.words.index(word)
        away = self.distances[row].copy()
        away[row] = np.inf
        return self.words[int(np.argmin(away))], float(away.min())

    def pairs(self) -> list[Pair]:
        """Every pair, the worst first: most often confused, then nearest in pronunciation."""
        counts = self.counts()
        pairs = []
        for a, b in combinations(range(len(self.words)), 2):
            confused = wilson(
                int(counts[a, b] + counts[b, a]), int(counts[a].sum() + counts[b].sum())
            )
            distance = float(self.distances[a, b])
            pairs.append(Pair(self.words[a], self.words[b], distance, confused))
        return sorted(pairs, key=lambda pair: (-(pair.confused.share or 0.0), pair.distance))

    def worst_words(self) -> list[str]:
        """All words, the one least often heard right first, then by their nearest neighbour."""
        return sorted(
            self.words, key=lambda word: (self.right(word).share or 0.0, self.nearest(word)[1])
        )


@dataclass(frozen=True, slots=True)
class Proposal:
    """A word that might be replaced: what lies nearest to it now, and what would be better.

    ``better``: words and the distance of each from its nearest neighbour in the set, in
    phones, the best first; empty where nothing to choose from is better.
    """

    word: str
    nearest: str
    distance: float
    better: tuple[tuple[str, float], ...]


def checked_words(words: Sequence[str], trials: Trials) -> dict[str, Phones]:
    """The words, normalised, with their phones. Raises one :class:`TablevoiceError`."""
    found = list(dict.fromkeys(filter(None, map(normalise, words))))
    if len(found) < 2:
        raise TablevoiceError(
            "Fewer than two different words have nothing to be confused with.",
            do="Give the whole set: tablevoice words amber teal violet.",
        )
    if len(found) > MOST_WORDS:
        raise TablevoiceError(
            f"{len(found)} words are more than a table should listen for at once.",
            do=f"Give at most {MOST_WORDS}: those that may be said at the same time.",
        )
    if not trials.language.lower().startswith("en"):
        raise TablevoiceError(
            f"Pronunciation is measured in English, and the language is {trials.language!r}.",
            do="Use `tablevoice evaluate` with recordings of that language.",
        )
    try:
        pronounced(" ".join(found), trials.pronunciations)  # so that all that lack are named
    except RecogniserUnavailable as error:
        raise RecogniserUnavailable(
            error.problem.what,
            do="Take another word, or say how it is spoken: --pronounce 'WORD=PHONES'."
            f" To start from:\n{error.problem.do.partition(chr(10))[2]}",
        ) from error
    return {word: pronounced(word, trials.pronunciations) for word in found}


def measure(
    phones: Mapping[str, Phones], trials: Trials, progress: Progress | None = None
) -> Confusability:
    """Both measurements of a set of words (:func:`checked_words`). Raises TablevoiceError."""
    words = tuple(phones)
    away = np.array([[sound.distance(phones[a], phones[b]) for b in words] for a in words])
    chosen = sample_of_speakers(speakers(language=trials.language), trials.speakers, trials.seed)
    rng = np.random.default_rng(trials.seed)
    said = [(speaker, word) for speaker in chosen for word in words]
    requests = [  # in no order: the recogniser adapts to what it heard before
        Request(*said[int(index)], any_manner(rng, _MANNER_STRENGTH))
        for index in rng.permutation(len(said))
    ]
    steps = len(requests) * (1 + len(trials.snrs_db))

    def tell(done: int) -> None:
        if progress is not None:
            progress(done, steps)

    # What may fail goes first.
    pieces = _noises(trials)
    heard: dict[float, NDArray[np.int64]] = {}
    recogniser = open_recogniser(
        trials.recogniser,
        trials.model,
        language=trials.language,
        pronunciations=trials.pronunciations,
    )
    done = len(requests)
    try:
        recogniser.set_phrases(words)
        clips = rendered_clips(render(requests, progress=lambda made, _: tell(made)))
        for snr_db in trials.snrs_db:
            counts = np.zeros((len(words), len(words) + 1), dtype=np.int64)
            for request, samples in clips:
                piece = pieces[int(rng.integers(len(pieces)))]
                around = padded(samples, _BEFORE_S, _AFTER_S)
                recogniser.start()
                recogniser.feed(recorded(mixed(around, piece, snr_db, rng), -26.0))
                text = recogniser.finish().text
                column = words.index(text) if text in words else len(words)
                counts[words.index(request.text), column] += 1
                done += 1
                tell(done)
            heard[snr_db] = counts
    finally:
        recogniser.close()
    return Confusability(words, away, MappingProxyType(heard), tuple(chosen))


def _noises(trials: Trials) -> list[Samples]:
    seeds = [trials.seed * 1_000 + number for number in range(_NOISE_PIECES)]
    if Path(trials.noise).suffix:
        return [noise_from_file(trials.noise, _NOISE_PIECE_S, seed) for seed in seeds]
    try:
        return [noise(trials.noise, _NOISE_PIECE_S, seed) for seed in seeds]
    except ValueError as error:
        raise TablevoiceError(f"{error}.", do="Or give a sound file: --noise room.wav.") from error


def propose(
    found: Confusability,
    phones: Mapping[str, Phones],
    replace: Collection[str],
    choose_from: Sequence[str] | None,
    *,
    count: int = 4,
) -> tuple[list[Proposal], tuple[str, ...]]:
    """Better words for each of ``replace``, and the set with the best of them taken.

    ``choose_from``: the words to choose from; ``None``: plain words of the same kind. The
    smallest distance from any other word of the set is made as large as it can be, one
    word at a time; among those far enough away the commoner word wins.
    """
    common = {word: rank for rank, word in enumerate(words_by_frequency())}
    current = dict(phones)
    proposals = []
    for word in replace:
        others = {name: said for name, said in current.items() if name != word}
        nearest, now = min(
            ((name, sound.distance(phones[word], said)) for name, said in others.items()),
            key=lambda pair: pair[1],
        )
        pool = same_kind(word, found.words) if choose_from is None else choose_from
        rated = []
        for candidate in dict.fromkeys(map(normalise, pool)):
            if candidate in current or candidate in found.words:
                continue
            said = pronounced(candidate)
            away = min(sound.distance(said, other) for other in others.values())
            if away >= now + _WORTH_A_CHANGE_PHONES:
                rated.append((candidate, away))
        rated.sort(
            key=lambda pair: (
                -min(pair[1], _FAR_ENOUGH_PHONES), common.get(pair[0], len(common)), pair[0]
            )
        )  # fmt: skip
        proposals.append(Proposal(word, nearest, now, tuple(rated[:count])))
        if rated:
            best = rated[0][0]
            current = {
                (best if name == word else name): (pronounced(best) if name == word else said)
                for name, said in current.items()
            }
    return proposals, tuple(current)


def words_in(path: Path) -> list[str]:
    """The words of a text file, one a line; empty lines and those after ``#`` are skipped.

    Raises :class:`TablevoiceError` for a file that cannot be read or holds no word, and
    :class:`RecogniserUnavailable` naming all that the dictionary lacks.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise TablevoiceError(
            f"the list of words cannot be read ({error}).",
            where=str(path),
            do="Give a text file in UTF-8 with a word a line.",
        ) from error
    lines = [line.partition("#")[0].strip() for line in text.splitlines()]
    words = [line for line in lines if normalise(line)]
    if not words:
        raise TablevoiceError("there is no word in it.", where=str(path), do="Write one a line.")
    try:
        pronounced(" ".join(words))
    except RecogniserUnavailable as error:
        problem = Problem(error.problem.what, str(path), "Take them out, or write others.")
        raise RecogniserUnavailable(problem.what, where=problem.where, do=problem.do) from error
    return words


def pronounce_options(entries: Sequence[str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """``WORD=PHONES`` texts as pronunciations. Raises :class:`TablevoiceError`."""
    for entry in entries:
        word, equals, said = entry.partition("=")
        if not equals or not normalise(word) or not said.strip():
            raise TablevoiceError(
                f"{entry!r} is no pronunciation.", do="Write it as 'zaffre=Z AE F ER'."
            )
        yield normalise(word), (" ".join(said.upper().split()),)
