"""Which four colour names are easiest to tell apart by ear, by measurement.

Two opinions are taken: how far apart the words lie as strings of phones, and how
often a recogniser that is held to a small grammar hears them right in shop-like
noise. Sets are chosen on some synthetic voices and reported on others. It knows
nothing of phrasebooks; a person runs it and copies its table into
``phrasebooks/COLOURS.md``.

    python benchmarks/colour_words.py            # the whole measurement
    python benchmarks/colour_words.py --words a,b,c    # how these are heard, nothing chosen
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pocketsphinx
import soxr
from numpy.typing import NDArray
from scipy.stats import spearmanr
from statsmodels.stats.proportion import proportion_confint

from tablevoice.acoustics.noise import shop_noise
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine

Samples: TypeAlias = NDArray[np.float32]
RATE_HZ = 16_000
SEED = 20
SNRS_DB = (10.0, 5.0, 0.0)


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
    Colour("copper", "brown"),
    Colour("peach", "pink"),
    Colour("coral", "pink"),
    Colour("crimson", "red", a_child_knows=False),
    Colour("scarlet", "red"),
    Colour("ruby", "red"),
    Colour("maroon", "red", a_child_knows=False),
    Colour("magenta", "purple"),
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
STANDING = ("pause", "stop", "stop now", "repeat", "help", "help me", "never mind")
"""Said to the table at any time, so they stand in every grammar."""
MORE_PHRASES = (
    ("pause please", "stop please", "repeat please", "help please"),
    ("say that again",),
)
"""Phrases that were thought of and left out, by what they do to the others."""
CONFIRMING = ("yes", "no")
"""Heard only while a doubtful colour is being confirmed; kept away from by phones alone."""

E_SET = ("b", "c", "d", "e", "g", "p", "t", "v", "z")
"""The classic hard set of letter recognition (from memory)."""
SPELLING = ("alpha", "bravo", "charlie", "delta", "echo", "foxtrot", "golf", "hotel", "india")
"""The first nine of the ICAO spelling alphabet (from memory; dictionary spelling)."""

CHOOSING_VOICES = (
    ("en-gb+m1", 150), ("en-us+m3", 165), ("en-gb-scotland+f1", 150), ("en-us+f3", 140),
    ("en-gb-x-rp+m5", 160), ("en-gb+f5", 155), ("en-us+linda", 150), ("en-us+adam", 150),
)  # fmt: skip
REPORTING_VOICES = (
    ("en-gb+m2", 150), ("en-us+m4", 165), ("en-gb-scotland+m6", 150), ("en-us+f2", 140),
    ("en-gb+f4", 160), ("en-gb-x-rp+m8", 155), ("en-us+m7", 150), ("en-us+belinda", 150),
    ("en-gb+steph", 150), ("en-us+Michael", 150), ("en-gb+edward", 155), ("en-us+Andrea", 150),
)  # fmt: skip
"""(espeak-ng voice, words a minute). No variant after the ``+`` stands in both lists."""


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


class Grammar:
    """A PocketSphinx decoder held to one phrase out of a list."""

    def __init__(self, phrases: Sequence[str]) -> None:
        folder = _model_folder()
        self._decoder: Any = pocketsphinx.Decoder(
            hmm=str(folder / "en-us"),
            dict=str(folder / "cmudict-en-us.dict"),
            lm=None,
            loglevel="FATAL",
        )
        choice = " | ".join(phrases)
        self._decoder.add_jsgf_string(
            "only", f"#JSGF V1.0;\ngrammar only;\npublic <said> = {choice};\n"
        )
        self._decoder.activate_search("only")

    def hear(self, samples: Samples) -> str:
        """The phrase that fits best, ``""`` for none."""
        self._decoder.start_utt()
        self._decoder.process_raw((samples * 32767).astype("<i2").tobytes(), False, True)
        self._decoder.end_utt()
        found = self._decoder.hyp()
        return str(found.hypstr) if found is not None else ""


@dataclass(frozen=True, slots=True)
class Trial:
    """One word that was played to a grammar, and what it made of it."""

    said: str
    heard: str
    voice: str
    snr_db: float

    @property
    def right(self) -> bool:
        return self.said == self.heard


def run_trials(
    phrases: Sequence[str],
    clips: Mapping[tuple[str, str], Samples],
    *,
    said: Sequence[str] | None = None,
    snrs_db: Sequence[float] = SNRS_DB,
    draws: Sequence[int] = (0,),
) -> list[Trial]:
    """Each clip whose phrase is in ``said`` (default: all of ``phrases``), at each level.

    The noise of a clip depends on ``SEED``, phrase, voice, level and draw only, so that
    two grammars are compared on the very same sounds.
    """
    grammar, wanted = Grammar(phrases), set(said if said is not None else phrases)
    trials = []
    for (phrase, voice), samples in clips.items():
        if phrase not in wanted:
            continue
        for snr_db, draw in itertools.product(snrs_db, draws):
            tag = f"{phrase}/{voice}/{snr_db}/{draw}".encode()
            rng = np.random.default_rng([SEED, *tag])
            heard = grammar.hear(in_noise(samples, snr_db, rng))
            trials.append(Trial(phrase, heard, voice, snr_db))
    return trials


def right_rate(trials: Iterable[Trial], word: str) -> float:
    """Share of the trials of one word that were heard right."""
    of_word = [trial.right for trial in trials if trial.said == word]
    return sum(of_word) / len(of_word)


def wilson(right: int, count: int) -> str:
    """``"right/count = rate (95 % interval)"``, the interval after Wilson."""
    low, high = proportion_confint(right, count, method="wilson")
    return f"{right}/{count} = {right / count:.0%} ({low:.0%} to {high:.0%})"


# --- choice ---------------------------------------------------------------------

NEAREST_ALLOWED = 2.0
"""Sets with two words nearer than this, by phones, are not tried at all."""


def may_stand_together(four: Sequence[Colour]) -> bool:
    """Four hues that differ to the eye, known to a child, and far enough apart by phones."""
    words = [colour.word for colour in four]
    return (
        len({colour.hue for colour in four}) == 4
        and all(colour.a_child_knows for colour in four)
        and nearest_pair(words, (*STANDING, *CONFIRMING))[0] >= NEAREST_ALLOWED
    )


def set_score(trials: Sequence[Trial], words: Sequence[str]) -> tuple[float, float, float]:
    """Worst word, mean word, and nearest distance by phones; higher is better.

    A word is worth the smaller of two shares: how often it is heard when it is said, and
    how often it was said when it is heard (only the set and the standing commands count).
    """
    within = {*words, *STANDING}
    heard = Counter((t.said, t.heard) for t in trials if t.said in within)
    said = Counter(t.said for t in trials if t.said in within)
    worth = []
    for word in words:
        as_word = sum(heard[other, word] for other in within)
        right = heard[word, word]
        worth.append(min(right / said[word], right / as_word if as_word else 0.0))
    nearest, _, _ = nearest_pair(words, (*STANDING, *CONFIRMING))
    return min(worth), float(np.mean(worth)), nearest


def shortlist(trials: Sequence[Trial], count: int) -> list[tuple[str, ...]]:
    """The most promising sets by the trials in which all candidates were allowed."""
    sets = [
        tuple(colour.word for colour in four)
        for four in itertools.combinations(CANDIDATES, 4)
        if may_stand_together(four)
    ]
    return sorted(sets, key=lambda words: set_score(trials, words), reverse=True)[:count]


# --- report ---------------------------------------------------------------------


def _confusions(trials: Sequence[Trial], words: Sequence[str]) -> str:
    columns = [*words, *sorted({t.heard for t in trials} - set(words) - {""}), ""]
    heard = Counter((trial.said, trial.heard) for trial in trials)
    rows = ["| said \\ heard | " + " | ".join(c or "(nothing)" for c in columns) + " |"]
    rows.append("|---" * (len(columns) + 1) + "|")
    for word in words:
        cells = [str(heard[word, column] or "·") for column in columns]
        rows.append(f"| **{word}** | " + " | ".join(cells) + " |")
    return "\n".join(rows)


def outside_check(clips: Mapping[tuple[str, str], Samples]) -> dict[str, tuple[float, float]]:
    """E-set letters and spelling words: mean phone distance, right rate at 10 dB."""
    result = {}
    for name, words in (("E-set letters", E_SET), ("spelling words", SPELLING)):
        trials = run_trials(words, clips, snrs_db=(10.0,))
        rate = sum(trial.right for trial in trials) / len(trials)
        result[name] = (mean_distance(words), rate)
    return result


def report_held_out(words: Sequence[str], voices: Sequence[tuple[str, int]]) -> None:
    """Print how a set is heard, with the standing commands, in voices never used to choose."""
    allowed = [*words, *STANDING]
    clips = speak_all([*allowed, *CONFIRMING], voices)
    trials = run_trials(allowed, clips)
    groups: list[tuple[str, tuple[str, ...]]] = [(word, (word,)) for word in allowed]
    groups[len(words) : len(words)] = [("**all of the set**", tuple(words))]
    print("| word | " + " | ".join(f"{snr:.0f} dB" for snr in SNRS_DB) + " | all |")
    print("|---" * (len(SNRS_DB) + 2) + "|")
    for name, members in groups:
        cells = []
        for levels in [*((snr,) for snr in SNRS_DB), SNRS_DB]:
            own = [t.right for t in trials if t.said in members and t.snr_db in levels]
            cells.append(wilson(sum(own), len(own)))
        print(f"| {name} | " + " | ".join(cells) + " |")
    print("\n" + _confusions(trials, allowed) + "\n")
    confirming = run_trials([*CONFIRMING, *STANDING], clips, said=CONFIRMING)
    for word in CONFIRMING:
        own = [t.right for t in confirming if t.said == word]
        print(f"- {word}, while confirming: {wilson(sum(own), len(own))}")
    for title, others in (("Nearest by phones", ()), ("with commands", (*STANDING, *CONFIRMING))):
        distance, one, other = nearest_pair(words, others)
        print(f"- {title}: {one} and {other}, {distance:.2f}")


def report_phrase_costs(words: Sequence[str], voices: Sequence[tuple[str, int]]) -> None:
    """Print what more phrases for the standing commands would do to the words of a set."""
    said = [*words, "pause", "stop", "repeat", "help", "never mind"]
    clips = speak_all(said, voices)
    bare = tuple(said[len(words) :])
    grammars = {
        "one phrase a command": bare,
        "as chosen": STANDING,
        "and with please": (*STANDING, *MORE_PHRASES[0]),
        "and with say that again": (*STANDING, *MORE_PHRASES[0], *MORE_PHRASES[1]),
    }
    print("| phrases | colours right | commands right | command heard as colour |")
    print("|---|---|---|---|")
    for name, phrases in grammars.items():
        trials = run_trials([*words, *phrases], clips, said=said, snrs_db=(10.0, 5.0), draws=(5,))
        of_set = [t.right for t in trials if t.said in words]
        of_rest = [t for t in trials if t.said not in words]
        right = sum(t.right or t.heard.startswith(f"{t.said} ") for t in of_rest)
        print(
            f"| {name} | {sum(of_set)}/{len(of_set)} | {right}/{len(of_rest)} "
            f"| {sum(t.heard in words for t in of_rest)}/{len(of_rest)} |"
        )


def choose() -> tuple[str, ...]:
    """Print the whole way to the choice, on the choosing voices, and return the four."""
    words = [colour.word for colour in CANDIDATES]
    clips = speak_all([*words, *STANDING, *E_SET, *SPELLING], CHOOSING_VOICES)
    print("## Outside check\n")
    for name, (distance, rate) in outside_check(clips).items():
        print(f"- {name}: mean phone distance {distance:.2f}, right at 10 dB {rate:.0%}")

    everything = [*words, *STANDING]
    trials = run_trials(everything, clips)
    print(f"\n## All candidates at once, {len(CHOOSING_VOICES)} voices, all levels\n")
    print(_confusions(trials, everything))
    heard = Counter((t.said, t.heard) for t in trials)
    pairs = list(itertools.combinations(everything, 2))
    link = spearmanr(
        [word_distance(a, b) for a, b in pairs], [heard[a, b] + heard[b, a] for a, b in pairs]
    )
    print(f"\nPhone distance against confusions: Spearman {link.statistic:.2f}, n={len(pairs)}")

    print("\n## Sets of four, each with a grammar of its own and the standing commands\n")
    print("| set | worst word | mean | nearest by phones |\n|---|---|---|---|")
    scored = []
    for four in shortlist(trials, 7):
        own = run_trials([*four, *STANDING], clips, draws=(1,))
        scored.append((set_score(own, four), four))
    for (worst, mean, nearest), four in sorted(scored, reverse=True):
        print(f"| {', '.join(four)} | {worst:.0%} | {mean:.0%} | {nearest:.2f} |")
    return max(scored)[1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--words", help="report on these words, as a,b,c, and choose nothing")
    given = parser.parse_args().words
    started_s = time.perf_counter()
    words = tuple(given.split(",")) if given else choose()
    print(f"\n## {', '.join(words)}: {len(REPORTING_VOICES)} voices never used for choosing\n")
    report_held_out(words, REPORTING_VOICES)
    if not given:
        print("\n## What more phrases cost (choosing voices, 10 and 5 dB)\n")
        report_phrase_costs(words, CHOOSING_VOICES)
    print(f"\nTook {time.perf_counter() - started_s:.0f} s.")


if __name__ == "__main__":
    main()
