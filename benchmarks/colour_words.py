"""Which four colour names are easiest to tell apart by ear, by measurement.

Two opinions are taken: how far apart the words lie as strings of phones, and how often
the whole recogniser of the project (grammar and certainty) hears them right in shop-like
noise and is sure enough of them. Sets are chosen on some synthetic voices and reported on
others. It knows nothing of phrasebooks; a person runs it and copies its tables into
``phrasebooks/COLOURS.md``.

    python -m benchmarks.colour_words            # the whole measurement
    python -m benchmarks.colour_words --words a,b,c    # how these are heard, nothing chosen
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pocketsphinx
import soxr
from numpy.typing import NDArray
from scipy.stats import spearmanr
from statsmodels.stats.proportion import proportion_confint

from tablevoice.acoustics.noise import shop_noise
from tablevoice.cell import ListeningChoice
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine

Samples: TypeAlias = NDArray[np.float32]
RATE_HZ = 16_000
SEED = 20
SNRS_DB = (20.0, 10.0, 5.0)
CONFIRM_ABOVE = ListeningChoice().confirm_above
ACT_ABOVE = ListeningChoice().act_above


@dataclass(frozen=True, slots=True)
class Colour:
    """A candidate: the part of the colour circle it lies in, and whether a child knows it.

    Both are plain judgements, not measurements: four lanterns must look different
    too, and a visitor must be able to name the one they see.
    """

    word: str
    hue: str
    a_child_knows: bool = True


CANDIDATES = (
    Colour("amber", "orange-yellow"),
    Colour("golden", "orange-yellow"),
    Colour("saffron", "orange-yellow", a_child_knows=False),
    Colour("bronze", "orange-yellow"),
    Colour("copper", "orange-yellow"),
    Colour("crimson", "red"),
    Colour("scarlet", "red"),
    Colour("cherry", "red"),
    Colour("ruby", "red"),
    Colour("maroon", "red", a_child_knows=False),
    Colour("peach", "pink"),
    Colour("coral", "pink"),
    Colour("magenta", "pink"),
    Colour("purple", "purple"),
    Colour("violet", "purple"),
    Colour("lavender", "purple"),
    Colour("lilac", "purple"),
    Colour("indigo", "blue"),
    Colour("cobalt", "blue", a_child_knows=False),
    Colour("sapphire", "blue"),
    Colour("turquoise", "blue-green"),
    Colour("teal", "blue-green"),
    Colour("emerald", "green"),
    Colour("olive", "green"),
    Colour("silver", "white-grey"),
    Colour("ivory", "white-grey", a_child_knows=False),
)
LOOK_ALIKE = (
    ("red", "pink"), ("pink", "purple"), ("purple", "blue"), ("blue", "blue-green"),
    ("blue-green", "green"), ("white-grey", "orange-yellow"),
)  # fmt: skip
"""Neighbouring hues; and pale paper, which a warm light inside turns yellow."""
STANDING = ("pause", "stop", "stop now", "repeat", "help", "help me", "never mind")
"""Said to the table at any time, so they stand in every grammar."""
OUTSIDE = (
    "banana", "window", "seven", "table", "go home", "what time is it", "coffee", "hammer",
    "thank you", "look at that", "my phone", "elephant", "battery", "monday", "possible",
    "garden", "number four", "very nice", "over there", "open the door", "amazing", "violin",
    "helmet", "maybe later",
)  # fmt: skip
"""Said near a table, and not to it: nothing of this may be taken for an answer."""
CONFIRMING = ("yes", "no")
"""Heard only while a doubtful colour is being confirmed; kept away from by phones alone."""

E_SET = ("b", "c", "d", "e", "g", "p", "t", "v", "z")
"""The classic hard set of letter recognition (from memory)."""
SPELLING = ("alpha", "bravo", "charlie", "delta", "echo", "foxtrot", "golf", "hotel", "india")
"""The first nine of the ICAO spelling alphabet (from memory; dictionary spelling)."""

CHOOSING_VOICES = (
    ("en-gb+m1", 150), ("en-us+m3", 165), ("en-gb-scotland+f1", 150), ("en-us+f3", 140),
    ("en-gb-x-rp+m5", 160), ("en-gb+f5", 155),
)  # fmt: skip
RUN_OFF_VOICES = (
    ("en-us+linda", 150), ("en-us+adam", 150), ("en-gb+Annie", 150), ("en-gb+david", 155),
    ("en-us+paul", 145), ("en-gb-scotland+shelby", 150), ("en-us+anika", 150),
    ("en-gb-x-rp+Alex", 150), ("en-us+john", 155), ("en-gb+sandro", 150),
)  # fmt: skip
REPORTING_VOICES = (
    ("en-gb+m2", 150), ("en-us+m4", 165), ("en-gb-scotland+m6", 150), ("en-us+f2", 140),
    ("en-gb+f4", 160), ("en-gb-x-rp+m8", 155), ("en-us+m7", 150), ("en-us+belinda", 150),
    ("en-gb+steph", 150), ("en-us+Michael", 150), ("en-gb+edward", 155), ("en-us+Andrea", 150),
)  # fmt: skip
"""(espeak-ng voice, words a minute). No variant after the ``+`` stands in two lists."""


# --- phones ---------------------------------------------------------------------

_VOWEL_POINTS = {  # (height: 0 close to 1 open, backness: 0 front to 1 back, rounding)
    "IY": (0.0, 0.0, 0.0), "IH": (0.2, 0.2, 0.0), "EH": (0.55, 0.15, 0.0), "AE": (0.8, 0.2, 0.0),
    "AA": (1.0, 0.8, 0.0), "AO": (0.75, 1.0, 0.7), "AH": (0.6, 0.55, 0.0), "UH": (0.25, 0.75, 0.6),
    "UW": (0.0, 1.0, 1.0), "ER": (0.5, 0.5, 0.3),
}  # fmt: skip
_GLIDING_VOWELS = {
    "EY": ("EH", "IH"), "AY": ("AA", "IH"), "OY": ("AO", "IH"), "AW": ("AA", "UH"),
    "OW": ("AO", "UH"),
}  # fmt: skip
_CONSONANTS = {  # (manner, place: 0 lips to 1 throat, voiced)
    "P": ("stop", 0.0, 0), "B": ("stop", 0.0, 1), "T": ("stop", 0.4, 0), "D": ("stop", 0.4, 1),
    "K": ("stop", 0.8, 0), "G": ("stop", 0.8, 1), "CH": ("affricate", 0.55, 0),
    "JH": ("affricate", 0.55, 1), "F": ("fricative", 0.1, 0), "V": ("fricative", 0.1, 1),
    "TH": ("fricative", 0.3, 0), "DH": ("fricative", 0.3, 1), "S": ("sibilant", 0.4, 0),
    "Z": ("sibilant", 0.4, 1), "SH": ("sibilant", 0.55, 0), "ZH": ("sibilant", 0.55, 1),
    "HH": ("fricative", 1.0, 0), "M": ("nasal", 0.0, 1), "N": ("nasal", 0.4, 1),
    "NG": ("nasal", 0.8, 1), "L": ("liquid", 0.4, 1), "R": ("liquid", 0.5, 1),
    "W": ("glide", 0.0, 1), "Y": ("glide", 0.6, 1),
}  # fmt: skip
_LOSS = {"vowel": 0.8, "sibilant": 0.7, "affricate": 0.7, "nasal": 0.5, "liquid": 0.5}
_LOSS_OF_OTHERS = 0.4  # stops, weak fricatives and glides drown first in noise


def _vowel_path(phone: str) -> NDArray[np.float64]:
    start, end = _GLIDING_VOWELS.get(phone, (phone, phone))
    return np.array((_VOWEL_POINTS[start], _VOWEL_POINTS[end]))


def _is_vowel(phone: str) -> bool:
    return phone in _VOWEL_POINTS or phone in _GLIDING_VOWELS


@cache
def substitution_cost(one: str, other: str) -> float:
    """How different two ARPABET phones sound, 0 (the same) to 1.

    Vowels: mean way between their starts and ends in height, backness and rounding.
    Consonants: 0.5 for another manner, up to 0.3 for place, 0.2 for voicing. A vowel
    for a consonant costs 1.
    """
    if one == other:
        return 0.0
    if _is_vowel(one) != _is_vowel(other):
        return 1.0
    if _is_vowel(one):
        way = np.linalg.norm(_vowel_path(one) - _vowel_path(other), axis=1).mean()
        return float(min(1.0, way + 0.1))
    (manner, place, voiced), (manner_2, place_2, voiced_2) = _CONSONANTS[one], _CONSONANTS[other]
    return 0.5 * (manner != manner_2) + 0.3 * abs(place - place_2) + 0.2 * (voiced != voiced_2)


def loss_cost(phone: str) -> float:
    """What it costs to lose or add one phone: loud ones carry more of a word."""
    kind = "vowel" if _is_vowel(phone) else _CONSONANTS[phone][0]
    return _LOSS.get(kind, _LOSS_OF_OTHERS)


def phone_distance(one: Sequence[str], other: Sequence[str]) -> float:
    """Weighted edit distance between two strings of phones (not normalised by length).

    Long words that share little lie further apart than short ones, as they do for a
    listener: more sound tells them apart.
    """
    row = [0.0, *itertools.accumulate(loss_cost(phone) for phone in other)]
    for phone in one:
        above, row = row, [row[0] + loss_cost(phone)]
        for column, other_phone in enumerate(other, 1):
            row.append(
                min(
                    above[column] + loss_cost(phone),
                    row[column - 1] + loss_cost(other_phone),
                    above[column - 1] + substitution_cost(phone, other_phone),
                )
            )
    return row[-1]


def _model_folder() -> Path:
    return Path(str(pocketsphinx.get_model_path())) / "en-us"


@lru_cache(maxsize=1)
def dictionary() -> Mapping[str, tuple[tuple[str, ...], ...]]:
    """The CMU dictionary of the ``pocketsphinx`` wheel: word to its pronunciations."""
    entries: dict[str, list[tuple[str, ...]]] = {}
    text = (_model_folder() / "cmudict-en-us.dict").read_text(encoding="utf-8")
    for row in text.splitlines():
        word, *phones = row.split()
        entries.setdefault(word.partition("(")[0], []).append(tuple(phones))
    return {word: tuple(ways) for word, ways in entries.items()}


def pronunciations(phrase: str) -> list[tuple[str, ...]]:
    """Every way to say a phrase, as phones. Raises ``KeyError`` for an unknown word."""
    ways = itertools.product(*(dictionary()[word] for word in phrase.split()))
    return [tuple(itertools.chain(*way)) for way in ways]


@cache
def word_distance(one: str, other: str) -> float:
    """The smallest distance over all pronunciations of both phrases."""
    return min(phone_distance(a, b) for a in pronunciations(one) for b in pronunciations(other))


def nearest_pair(words: Sequence[str], others: Sequence[str] = ()) -> tuple[float, str, str]:
    """Distance and names of the nearest two of ``words``, or of a word and one of ``others``."""
    pairs = [*itertools.combinations(words, 2), *itertools.product(words, others)]
    return min((word_distance(a, b), a, b) for a, b in pairs)


def mean_distance(words: Sequence[str]) -> float:
    """Mean pairwise distance of a set."""
    return float(np.mean([word_distance(a, b) for a, b in itertools.combinations(words, 2)]))


# --- sound ----------------------------------------------------------------------


def speak_all(
    phrases: Sequence[str], voices: Sequence[tuple[str, int]]
) -> dict[tuple[str, str], Samples]:
    """Every phrase in every voice through espeak-ng: (phrase, voice) to 16 kHz mono, ±1.

    Raises :class:`tablevoice.errors.EngineFailed` for a voice that espeak-ng lacks. (A
    plain pyttsx3 call would go on with the voice before it, without a word.)
    """
    clips: dict[tuple[str, str], Samples] = {}
    with Engine() as engine:
        for name, rate_wpm in voices:
            voice = Voice(name, voice=name, rate_wpm=rate_wpm)
            for phrase in phrases:
                clip = engine.render(phrase, voice)
                resampled = soxr.resample(clip.samples, clip.rate_hz, RATE_HZ)
                clips[phrase, name] = _trimmed(resampled)
    return clips


def _trimmed(samples: Samples) -> Samples:
    """Without the silence at both ends (below -46 dB of the peak), so that levels compare."""
    loud = np.flatnonzero(np.abs(samples) > 0.005 * np.abs(samples).max())
    return np.asarray(samples[loud[0] : loud[-1] + 1], dtype=np.float32)


@lru_cache(maxsize=1)
def _noise() -> Samples:
    """A minute of the project's shop noise, cut into at random places."""
    return shop_noise(60.0, RATE_HZ, SEED).samples


def in_noise(word: Samples, snr_db: float, rng: np.random.Generator) -> Samples:
    """A word with 0.3 s of noise before and after; the ratio of RMS over the word is exact."""
    padded = np.pad(word, int(0.3 * RATE_HZ))
    start = rng.integers(len(_noise()) - len(padded))
    noise = _noise()[start:][: len(padded)]
    under = noise[int(0.3 * RATE_HZ) :][: len(word)]
    level = np.sqrt(np.mean(word**2)) / np.sqrt(np.mean(under**2)) * 10 ** (-snr_db / 20)
    mix = padded + level * noise
    return np.asarray(0.5 * mix / np.abs(mix).max(), dtype=np.float32)


# --- recognition ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Trial:
    """One phrase that was played to the recogniser, and what it made of it."""

    said: str
    heard: str
    certainty: float
    voice: str
    snr_db: float

    @property
    def right(self) -> bool:
        """The right text, however unsure: what a bare grammar would have counted."""
        return self.said == self.heard

    @property
    def good(self) -> bool:
        """Right and sure enough that the table acts on it or at least asks back."""
        return self.right and self.certainty >= CONFIRM_ABOVE

    @property
    def sure(self) -> bool:
        """Right and sure enough to be acted on at once."""
        return self.right and self.certainty >= ACT_ABOVE

    @property
    def taken_for(self) -> str:
        """What the table would act on or ask back about, ``""`` for nothing."""
        return self.heard if self.certainty >= CONFIRM_ABOVE else ""


def run_trials(
    phrases: Sequence[str],
    clips: Mapping[tuple[str, str], Samples],
    *,
    said: Sequence[str] | None = None,
    snrs_db: Sequence[float] = SNRS_DB,
) -> list[Trial]:
    """Each clip whose phrase is in ``said`` (default: all of ``phrases``), at each level.

    The noise of a clip depends on ``SEED``, phrase, voice and level only, so that two
    grammars are compared on the very same sounds. One voice and level comes after the
    other, its phrases in random order: the recogniser remembers the mean of the
    utterances before, as it does of a visitor at the table.
    """
    wanted = set(said if said is not None else phrases)
    voices = dict.fromkeys(voice for _, voice in clips)
    recogniser = open_recogniser("pocketsphinx")
    recogniser.set_phrases(phrases)
    order = np.random.default_rng(SEED)
    trials = []
    for voice, snr_db in itertools.product(voices, snrs_db):
        own = [phrase for phrase, of_voice in clips if of_voice == voice and phrase in wanted]
        for index in order.permutation(len(own)):
            phrase = own[index]
            rng = np.random.default_rng([SEED, *f"{phrase}/{voice}/{snr_db}".encode()])
            recogniser.start()
            recogniser.feed(in_noise(clips[phrase, voice], snr_db, rng))
            made = recogniser.finish()
            trials.append(Trial(phrase, made.text, made.certainty, voice, snr_db))
    recogniser.close()
    return trials


def good_rate(trials: Iterable[Trial], word: str) -> float:
    """Share of the trials of one word that were heard right with enough certainty."""
    of_word = [trial.good for trial in trials if trial.said == word]
    return sum(of_word) / len(of_word)


def wilson(hits: int, count: int) -> str:
    """``"hits/count = rate (95 % interval)"``, the interval after Wilson."""
    low, high = proportion_confint(hits, count, method="wilson")
    return f"{hits}/{count} = {hits / count:.0%} ({low:.0%} to {high:.0%})"


# --- choice ---------------------------------------------------------------------

FINALISTS = 18
"""So many candidates go on from the first voices to the run-off voices."""

NEAREST_ALLOWED = 1.5
"""Sets with two words nearer than this, by phones, are not tried at all.

A word of three phones lies within 2 of anything, so more would rule out short words that
the recogniser keeps apart well.
"""

TIE = 0.07
"""One standard error of a share of 48: sets that differ by less are not told apart."""


def tell_apart_by_eye(one: Colour, other: Colour) -> bool:
    """Neither the same part of the colour circle nor parts that look alike on paper."""
    return one.hue != other.hue and not {(one.hue, other.hue), (other.hue, one.hue)} & set(
        LOOK_ALIKE
    )


def may_stand_together(four: Sequence[Colour]) -> bool:
    """Four colours that differ to the eye, known to a child, and far enough apart by phones."""
    words = [colour.word for colour in four]
    return (
        all(colour.a_child_knows for colour in four)
        and all(tell_apart_by_eye(*pair) for pair in itertools.combinations(four, 2))
        and nearest_pair(words, (*STANDING, *CONFIRMING))[0] >= NEAREST_ALLOWED
    )


def set_score(trials: Sequence[Trial], words: Sequence[str]) -> tuple[float, float, float, float]:
    """Worth of the worst word, mean worth, share sure, nearest by phones; higher is better.

    A word is worth the smaller of two shares: how often it is good (right and certain
    enough) when it is said, and how often it was said when it is taken for heard (only
    the set, the standing commands, yes and no count).
    """
    within = {*words, *STANDING, *CONFIRMING}
    counted = [t for t in trials if t.said in within]
    taken = Counter((t.said, t.taken_for) for t in counted)
    said = Counter(t.said for t in counted)
    worth = []
    for word in words:
        as_word = sum(taken[other, word] for other in within)
        good = taken[word, word]
        worth.append(min(good / said[word], good / as_word if as_word else 0.0))
    of_set = [t.sure for t in counted if t.said in words]
    nearest, _, _ = nearest_pair(words, (*STANDING, *CONFIRMING))
    return min(worth), float(np.mean(worth)), sum(of_set) / len(of_set), nearest


def best_sets(trials: Sequence[Trial], words: Collection[str], count: int) -> list[tuple[str, ...]]:
    """The best sets of these words, best first."""
    allowed = [colour for colour in CANDIDATES if colour.word in words]
    sets = [
        tuple(colour.word for colour in four)
        for four in itertools.combinations(allowed, 4)
        if may_stand_together(four)
    ]
    return sorted(sets, key=lambda words: set_score(trials, words), reverse=True)[:count]


def most_certain(trials: Sequence[Trial], sets: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """Of the sets (best first) that tie with the first, the one acted on at once most often."""
    worst, mean, _, _ = set_score(trials, sets[0])
    ties = []
    for words in sets:
        own_worst, own_mean, sure, _ = set_score(trials, words)
        if own_worst > worst - TIE and own_mean > mean - TIE:
            ties.append((sure, words))
    return max(ties)[1]


# --- report ---------------------------------------------------------------------


def _taken(trials: Sequence[Trial], words: Sequence[str]) -> str:
    """Said against what the table would act on or ask back about, as a table."""
    columns = [*words, *sorted({t.taken_for for t in trials} - set(words) - {""}), ""]
    taken = Counter((trial.said, trial.taken_for) for trial in trials)
    rows = ["| said \\ taken for | " + " | ".join(c or "(nothing)" for c in columns) + " |"]
    rows.append("|---" * (len(columns) + 1) + "|")
    for word in dict.fromkeys(t.said for t in trials):
        cells = [str(taken[word, column] or "·") for column in columns]
        rows.append(f"| **{word}** | " + " | ".join(cells) + " |")
    return "\n".join(rows)


def _counts(trials: Sequence[Trial]) -> str:
    """Right, good and sure of some trials, the cells of a row."""
    count = len(trials)
    return (
        f"{sum(t.right for t in trials)}/{count} | {wilson(sum(t.good for t in trials), count)} "
        f"| {wilson(sum(t.sure for t in trials), count)}"
    )


def _shares(worst: float, mean: float, sure: float, nearest: float) -> str:
    return f"{worst:.0%} | {mean:.0%} | {sure:.0%} | {nearest:.2f}"


def outside_check(clips: Mapping[tuple[str, str], Samples]) -> dict[str, tuple[float, float]]:
    """E-set letters and spelling words: mean phone distance, share good at 10 dB."""
    result = {}
    for name, words in (("E-set letters", E_SET), ("spelling words", SPELLING)):
        trials = run_trials(words, clips, snrs_db=(10.0,))
        result[name] = (mean_distance(words), sum(t.good for t in trials) / len(trials))
    return result


def report_held_out(words: Sequence[str], voices: Sequence[tuple[str, int]]) -> None:
    """Print how a set is heard, with the standing commands, in voices never used to choose."""
    allowed = [*words, *STANDING]
    clips = speak_all([*allowed, *CONFIRMING], voices)
    trials = run_trials(allowed, clips, said=words, snrs_db=(*SNRS_DB, 0.0))
    print("| said | right | good | sure |\n|---|---|---|---|")
    for word in words:
        usual = [t for t in trials if t.said == word and t.snr_db in SNRS_DB]
        print(f"| {word}, 20 to 5 dB | {_counts(usual)} |")
    for snr_db in (*SNRS_DB, 0.0):
        own = [t for t in trials if t.snr_db == snr_db]
        print(f"| **the set, {snr_db:.0f} dB** | {_counts(own)} |")
    commands = run_trials(allowed, clips, said=STANDING, snrs_db=(10.0,))
    for word in STANDING:
        print(f"| {word}, 10 dB | {_counts([t for t in commands if t.said == word])} |")
    confirming = run_trials([*CONFIRMING, *STANDING], clips, said=CONFIRMING, snrs_db=(10.0,))
    for word in CONFIRMING:
        own = [t for t in confirming if t.said == word]
        print(f"| {word}, confirming, 10 dB | {_counts(own)} |")
    usual = [t for t in trials if t.snr_db in SNRS_DB]
    print("\nColours at 20 to 5 dB, commands at 10 dB:\n\n" + _taken([*usual, *commands], allowed))
    wrong = [t for t in usual if t.heard and not t.right]
    print(f"\n- a colour acted on as something else: {_sure(wrong, len(usual))}")
    as_colour = [t for t in commands if t.heard in words]
    print(f"- a command acted on as a colour: {_sure(as_colour, len(commands))}")
    for title, others in (("Nearest by phones", ()), ("with commands", (*STANDING, *CONFIRMING))):
        distance, one, other = nearest_pair(words, others)
        print(f"- {title}: {one} and {other}, {distance:.2f}")


def _sure(trials: Iterable[Trial], count: int) -> str:
    return wilson(sum(t.certainty >= ACT_ABOVE for t in trials), count)


def report_phrase_costs(words: Sequence[str], voices: Sequence[tuple[str, int]]) -> None:
    """Print what "please" after a colour as a phrase of its own gains and costs."""
    polite = tuple(f"{word} please" for word in words)
    clips = speak_all([*words, *polite, *OUTSIDE], voices)
    print("| phrases | colours good | sure | with please good | sure | outside taken | acted on |")
    print("|---" * 7 + "|")
    for name, more in (("colours", ()), ("and with please", polite)):
        trials = run_trials(
            [*words, *more, *STANDING], clips, said=[*words, *polite, *OUTSIDE], snrs_db=(10.0,)
        )
        cells = []
        for said in (words, polite):
            own = [t for t in trials if t.said in said]
            meant = [t for t in own if t.heard and t.said.split()[0] == t.heard.split()[0]]
            for above in (CONFIRM_ABOVE, ACT_ABOVE):
                cells.append(f"{sum(t.certainty >= above for t in meant)}/{len(own)}")
        own = [t for t in trials if t.said in OUTSIDE]
        as_colour = [t for t in own if t.heard in (*words, *more)]
        for above in (CONFIRM_ABOVE, ACT_ABOVE):
            cells.append(wilson(sum(t.certainty >= above for t in as_colour), len(own)))
        print(f"| {name} | " + " | ".join(cells) + " |")


def choose() -> tuple[str, ...]:
    """Print the whole way to the choice, on the choosing voices, and return the four."""
    words = [colour.word for colour in CANDIDATES]
    print("## Outside check\n")
    for name, (distance, rate) in outside_check(
        speak_all([*E_SET, *SPELLING], CHOOSING_VOICES[:3])
    ).items():
        print(f"- {name}: mean phone distance {distance:.2f}, good at 10 dB {rate:.0%}")

    everything = [*words, *STANDING, *CONFIRMING]
    trials = run_trials(everything, speak_all(everything, CHOOSING_VOICES))
    print(f"\n## All candidates at once, {len(CHOOSING_VOICES)} voices, all levels\n")
    print("| said | right | good | sure |\n|---|---|---|---|")
    for word in sorted(everything, key=lambda word: -good_rate(trials, word)):
        print(f"| {word} | {_counts([t for t in trials if t.said == word])} |")
    mistakes = Counter((t.said, t.taken_for) for t in trials if t.taken_for and not t.right)
    told = ", ".join(f"{a} → {b} {n}" for (a, b), n in mistakes.most_common(12))
    print(f"\nCommonest mistakes that the table would act on or ask back about: {told}.")
    heard = Counter((t.said, t.heard) for t in trials)
    pairs = list(itertools.combinations(everything, 2))
    link = spearmanr(
        [word_distance(a, b) for a, b in pairs], [heard[a, b] + heard[b, a] for a, b in pairs]
    )
    print(f"\nPhone distance against confusions: Spearman {link.statistic:.2f}, n={len(pairs)}")

    finalists = sorted(words, key=lambda word: -good_rate(trials, word))[:FINALISTS]
    said = [*finalists, *STANDING, *CONFIRMING]
    trials += run_trials(everything, speak_all(said, RUN_OFF_VOICES))
    print(f"\n## The best {FINALISTS}, {len(RUN_OFF_VOICES)} more voices, both together\n")
    print("| said | right | good | sure |\n|---|---|---|---|")
    for word in sorted(finalists, key=lambda word: -good_rate(trials, word)):
        print(f"| {word} | {_counts([t for t in trials if t.said == word])} |")

    print("\n## Sets of four\n")
    print("| set | worst word | mean | sure | nearest by phones |\n|---|---|---|---|---|")
    best = best_sets(trials, finalists, 10)
    for four in best:
        print(f"| {', '.join(four)} | {_shares(*set_score(trials, four))} |")
    return most_certain(trials, best)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--words", help="report on these words, as a,b,c, and choose nothing")
    given = parser.parse_args().words
    started_s = time.process_time()
    words = tuple(given.split(",")) if given else choose()
    print(f"\n## {', '.join(words)}: {len(REPORTING_VOICES)} voices never used for choosing\n")
    report_held_out(words, REPORTING_VOICES)
    if not given:
        print("\n## What please costs (choosing voices, 10 dB)\n")
        report_phrase_costs(words, CHOOSING_VOICES)
    print(f"\nTook {time.process_time() - started_s:.0f} s of processor time.")


if __name__ == "__main__":
    main()
