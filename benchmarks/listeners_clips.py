"""The clips that everything which might listen is compared on: learnt from, and held out.

The heads learn from the examples that ``tablevoice tune`` would make of the words, fewer of
them and spoken by three families of voices; they are tried on two other families in shop
noise of other seeds. Knows no listener. Called by ``benchmarks.listeners_compared``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain, cycle

import numpy as np

from tablevoice.corpora.mixing import at_level, mixed, noise_for, padded, recorded
from tablevoice.corpora.noises import noise
from tablevoice.corpora.sentences import EVERYDAY
from tablevoice.corpora.speakers import Manner, Speaker, Studio, any_manner, speakers
from tablevoice.corpora.wordlists import ordinary_words
from tablevoice.errors import EngineFailed
from tablevoice.model import LISTENING_RATE_HZ, Samples
from tablevoice.tuning.examples import Amounts, Stage, plan

WORDS = (
    "olive", "ivory", "maroon", "indigo", "scarlet",
    "yes", "no", "repeat", "help", "pause", "stop", "skip", "ready",
)  # fmt: skip
LEARNT_FROM = ("espeak", "flite", "hibari")
HELD_OUT = ("piper", "pico")
SNRS_DB = (10.0, 5.0, 0.0)

_SEED = 7_100_000
"""Far from the seeds that examples for tuning are made with: other machines, other people."""

_NOISE_S = 20.0
_SPEECH_DBFS = -26.0
_ROOM_S = 0.25
_PEOPLE = 12
"""Sentences that the people in the background say."""


_AMOUNTS = Amounts(each_command=60, sentences=100, words=500, noises=100, alone=0, lines=0)
"""A fifth to a third of what ``tune`` makes: the listeners are compared, not tuned."""


@dataclass(frozen=True, slots=True)
class Size:
    """How much is made. ``takes``: times each held-out family says each word of the table."""

    amounts: Amounts = _AMOUNTS
    takes: int = 4
    outside_words: int = 80
    noises: int = 8


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """One word as a microphone in a shop has it, a quarter of a second of the room around it.

    ``word``: the command that it is, or ``""``. ``family``: who said it.
    """

    samples: Samples
    word: str
    family: str
    snr_db: float


def learnt_from(size: Size, families: Sequence[str] = LEARNT_FROM) -> list[Clip]:
    """The examples that the heads learn from; those that an engine can't say are left out."""
    examples = plan(WORDS, speakers(families), pronunciations={}, amounts=size.amounts)
    stage = Stage()
    clips = []
    for example in examples:
        performed = stage.perform(example)
        if performed is not None:
            clips.append(Clip(performed.samples, example.phrase, example.family, example.snr_db))
    return clips


def held_out(size: Size, families: Sequence[str] = HELD_OUT) -> list[Clip]:
    """What is asked of every listener: each family's words and outside words at each ratio."""
    rng = np.random.default_rng(_SEED)
    outside = ordinary_words(size.outside_words, _SEED, without=WORDS)
    with Studio() as studio:
        cast = {family: speakers((family,)) for family in families}
        spoken: list[tuple[Samples, str, str]] = []
        for family, voices in cast.items():
            texts = [(word, word) for word in WORDS for _ in range(size.takes)]
            texts += [(text, "") for text in outside]
            for number, (text, word) in enumerate(texts):
                # Plain and another manner in turn, and each voice of the family in turn.
                manner = any_manner(rng, 0.0 if number % 2 == 0 else 0.7)
                voice = voices[number // 2 % len(voices)]
                spoken.append((_said(studio, voice, text, manner), word, family))
        people = [
            _said(studio, voice, text, Manner())
            for text, voice in zip(EVERYDAY[:_PEOPLE], cycle(chain(*cast.values())), strict=False)
        ]
    shops = [
        noise("shop", _NOISE_S, _SEED + number, speech=people) for number in range(size.noises)
    ]
    clips = []
    for snr_db in SNRS_DB:
        for number, (samples, word, family) in enumerate(spoken):
            speech = at_level(padded(samples, _ROOM_S, _ROOM_S), _SPEECH_DBFS)
            heard = mixed(speech, shops[number % len(shops)], snr_db, rng)
            clips.append(Clip(recorded(heard), word, family, snr_db))
    return clips


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """Words in a shop that goes on. ``words``: start and end of each in seconds."""

    samples: Samples
    words: tuple[tuple[float, float], ...]

    @property
    def length_s(self) -> float:
        return len(self.samples) / LISTENING_RATE_HZ

    @property
    def noise_s(self) -> float:
        """How long nobody spoke."""
        return self.length_s - sum(end - start for start, end in self.words)


def streams(
    snr_db: float, count: int, pieces: int = 4, families: Sequence[str] = HELD_OUT
) -> list[Stream]:
    """``count`` words of the held-out voices, one to three seconds apart, in ``pieces`` shops.

    Nobody talks in the background: whoever did would be speech that was found rightly.
    Each shop is heard alone for ten seconds first.
    """
    rng = np.random.default_rng(_SEED + 1)
    voices = speakers(families)
    made = []
    with Studio() as studio:
        for piece in range(pieces):
            parts: list[Samples] = [np.zeros(10 * LISTENING_RATE_HZ, np.float32)]
            words = []
            at = len(parts[0])
            for number in range(piece, count, pieces):
                voice = voices[number % len(voices)]
                said = _said(studio, voice, WORDS[number % len(WORDS)], any_manner(rng, 0.5))
                after = round(float(rng.uniform(1.0, 3.0)) * LISTENING_RATE_HZ)
                words.append((at / LISTENING_RATE_HZ, (at + len(said)) / LISTENING_RATE_HZ))
                parts += [at_level(said, _SPEECH_DBFS), np.zeros(after, np.float32)]
                at += len(said) + after
            shop = noise_for(noise("shop", 60.0, _SEED + 100 + piece), at, rng)
            level_db = _SPEECH_DBFS - snr_db - 20.0 * np.log10(float(np.std(shop)))
            whole = np.concatenate(parts) + shop * np.float32(10.0 ** (level_db / 20.0))
            made.append(Stream(recorded(whole), tuple(words)))
    return made


def _said(studio: Studio, voice: Speaker, text: str, manner: Manner) -> Samples:
    try:
        return studio.say(voice, text, manner)
    except EngineFailed:
        return studio.say(voice, text)  # a manner that the engine can't do
