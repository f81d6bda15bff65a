"""How alike two strings of English phones sound: features, and an edit distance over them.

The phones are ARPABET without stress, as in the CMU dictionary. The features and costs are
ours, after how phones are made (height and backness; manner, place, voicing); they were
fitted to nothing. Pure. Called by the word lists and the choice of words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Phones: TypeAlias = tuple[str, ...]
Costs: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Vowel:
    """Tongue at the beginning and the end: 0 close to 1 open, 0 front to 1 back."""

    height: float
    back: float
    end_height: float
    end_back: float
    rounded: float = 0.0
    rhotic: float = 0.0


@dataclass(frozen=True, slots=True)
class _Consonant:
    """``place``: 0 at the lips to 1 at the glottis."""

    manner: str
    place: float
    voiced: bool
    strident: bool = False


_VOWELS: Mapping[str, _Vowel] = MappingProxyType(
    {
        "IY": _Vowel(0.0, 0.0, 0.0, 0.0),
        "IH": _Vowel(0.25, 0.2, 0.25, 0.2),
        "EH": _Vowel(0.55, 0.15, 0.55, 0.15),
        "AE": _Vowel(0.85, 0.15, 0.85, 0.15),
        "AA": _Vowel(1.0, 0.8, 1.0, 0.8),
        "AO": _Vowel(0.75, 1.0, 0.75, 1.0, rounded=1.0),
        "AH": _Vowel(0.6, 0.6, 0.6, 0.6),
        "UH": _Vowel(0.25, 0.85, 0.25, 0.85, rounded=0.7),
        "UW": _Vowel(0.0, 0.9, 0.0, 0.9, rounded=1.0),
        "ER": _Vowel(0.5, 0.5, 0.5, 0.5, rhotic=1.0),
        "EY": _Vowel(0.45, 0.1, 0.1, 0.05),
        "AY": _Vowel(1.0, 0.5, 0.15, 0.1),
        "OY": _Vowel(0.75, 1.0, 0.15, 0.1, rounded=0.5),
        "AW": _Vowel(1.0, 0.5, 0.25, 0.9, rounded=0.5),
        "OW": _Vowel(0.5, 0.85, 0.2, 0.9, rounded=1.0),
    }
)

_LIPS, _LIP_TEETH, _TEETH, _RIDGE, _BEHIND, _PALATE, _VELUM, _GLOTTIS = (
    0.0, 0.1, 0.25, 0.4, 0.55, 0.65, 0.85, 1.0,
)  # fmt: skip

_CONSONANTS: Mapping[str, _Consonant] = MappingProxyType(
    {
        "P": _Consonant("stop", _LIPS, False),
        "B": _Consonant("stop", _LIPS, True),
        "T": _Consonant("stop", _RIDGE, False),
        "D": _Consonant("stop", _RIDGE, True),
        "K": _Consonant("stop", _VELUM, False),
        "G": _Consonant("stop", _VELUM, True),
        "CH": _Consonant("affricate", _BEHIND, False, strident=True),
        "JH": _Consonant("affricate", _BEHIND, True, strident=True),
        "F": _Consonant("fricative", _LIP_TEETH, False),
        "V": _Consonant("fricative", _LIP_TEETH, True),
        "TH": _Consonant("fricative", _TEETH, False),
        "DH": _Consonant("fricative", _TEETH, True),
        "S": _Consonant("fricative", _RIDGE, False, strident=True),
        "Z": _Consonant("fricative", _RIDGE, True, strident=True),
        "SH": _Consonant("fricative", _BEHIND, False, strident=True),
        "ZH": _Consonant("fricative", _BEHIND, True, strident=True),
        "HH": _Consonant("fricative", _GLOTTIS, False),
        "M": _Consonant("nasal", _LIPS, True),
        "N": _Consonant("nasal", _RIDGE, True),
        "NG": _Consonant("nasal", _VELUM, True),
        "L": _Consonant("liquid", _RIDGE, True),
        "R": _Consonant("liquid", _BEHIND, True),
        "W": _Consonant("glide", _LIPS, True),
        "Y": _Consonant("glide", _PALATE, True),
    }
)

PHONES: tuple[str, ...] = (*_VOWELS, *_CONSONANTS)
VOWELS = frozenset(_VOWELS)

_MANNERS: Mapping[frozenset[str], float] = MappingProxyType(
    {
        frozenset({"stop", "affricate"}): 0.3,
        frozenset({"stop", "fricative"}): 0.4,
        frozenset({"affricate", "fricative"}): 0.25,
        frozenset({"stop", "nasal"}): 0.45,
        frozenset({"nasal", "liquid"}): 0.4,
        frozenset({"nasal", "glide"}): 0.5,
        frozenset({"liquid", "glide"}): 0.3,
        frozenset({"stop", "liquid"}): 0.6,
        frozenset({"stop", "glide"}): 0.6,
        frozenset({"fricative", "nasal"}): 0.6,
        frozenset({"fricative", "liquid"}): 0.6,
        frozenset({"fricative", "glide"}): 0.6,
        frozenset({"affricate", "nasal"}): 0.7,
        frozenset({"affricate", "liquid"}): 0.7,
        frozenset({"affricate", "glide"}): 0.7,
    }
)
_NEAR_VOWELS: Mapping[frozenset[str], float] = MappingProxyType(
    {frozenset({"R", "ER"}): 0.4, frozenset({"Y", "IY"}): 0.4, frozenset({"W", "UW"}): 0.4}
)
_LEAVING_OUT: Mapping[str, float] = MappingProxyType(
    {"AH": 0.6, "IH": 0.7, "HH": 0.4, "T": 0.5, "D": 0.5, "Y": 0.5, "W": 0.6, "R": 0.6,
     "L": 0.6, "N": 0.6, "DH": 0.5, "TH": 0.5, "V": 0.5}
)  # fmt: skip
"""Weak phones, which are often swallowed; other consonants cost 0.7, other vowels 0.9."""


def substitution(first: str, second: str) -> float:
    """What it costs to take ``first`` for ``second``: 0 the same, 1 nothing alike."""
    if first == second:
        return 0.0
    if first in _VOWELS and second in _VOWELS:
        return _vowel_cost(_VOWELS[first], _VOWELS[second])
    if first in _CONSONANTS and second in _CONSONANTS:
        return _consonant_cost(_CONSONANTS[first], _CONSONANTS[second])
    return _NEAR_VOWELS.get(frozenset({first, second}), 1.0)


def leaving_out(phone: str) -> float:
    """What it costs to miss a phone or to hear one that is not there."""
    return _LEAVING_OUT.get(phone, 0.9 if phone in _VOWELS else 0.7)


def _vowel_cost(first: _Vowel, second: _Vowel) -> float:
    tongue: float = (
        (first.height - second.height) ** 2
        + (first.back - second.back) ** 2
        + (first.end_height - second.end_height) ** 2
        + (first.end_back - second.end_back) ** 2
    )
    shape = 0.15 * abs(first.rounded - second.rounded) + 0.25 * abs(first.rhotic - second.rhotic)
    return min(1.0, 0.7 * math.sqrt(tongue / 2.0) + shape)


def _consonant_cost(first: _Consonant, second: _Consonant) -> float:
    manner = 0.0
    if first.manner != second.manner:
        manner = _MANNERS[frozenset({first.manner, second.manner})]
    cost = manner + 0.45 * abs(first.place - second.place)
    cost += 0.15 * (first.voiced != second.voiced) + 0.2 * (first.strident != second.strident)
    return min(1.0, cost)


_NUMBER = MappingProxyType({phone: number for number, phone in enumerate(PHONES)})
_SUBSTITUTION: Costs = np.array([[substitution(a, b) for b in PHONES] for a in PHONES])
_LEFT_OUT: Costs = np.array([leaving_out(phone) for phone in PHONES])


def encoded(phones: Sequence[str]) -> NDArray[np.int64]:
    """Phones as numbers, for :func:`distances`. Raises ``KeyError`` for one that is none."""
    return np.array([_NUMBER[phone] for phone in phones], dtype=np.int64)


def distances(phones: Sequence[str], others: NDArray[np.int64]) -> Costs:
    """Edit distance from ``phones`` to each row of ``others``, shape ``(words, length)``.

    In units of one phone that is entirely different. All rows have the same length.
    """
    own = encoded(phones)
    words, length = others.shape
    skip_other = _LEFT_OUT[others]
    row = np.zeros((length + 1, words))
    row[1:] = np.cumsum(skip_other.T, axis=0)
    for phone in own:
        substituted = _SUBSTITUTION[phone][others]
        next_row = np.empty_like(row)
        next_row[0] = row[0] + _LEFT_OUT[phone]
        for at in range(length):
            next_row[at + 1] = np.minimum(
                np.minimum(row[at] + substituted[:, at], row[at + 1] + _LEFT_OUT[phone]),
                next_row[at] + skip_other[:, at],
            )
        row = next_row
    return row[length]


def distance(first: Sequence[str], second: Sequence[str]) -> float:
    """Edit distance of two strings of phones, in units of one entirely different phone."""
    return float(distances(first, encoded(second)[None, :])[0])


def relative_distance(first: Sequence[str], second: Sequence[str]) -> float:
    """:func:`distance` over the length of the longer one: 0 the same, towards 1 nothing alike.

    Of two long words one entirely different phone is a smaller part than of two short ones.
    """
    longer = max(len(first), len(second))
    return distance(first, second) / longer if longer else 0.0


_ONSETS = frozenset(
    ("B L", "B R", "B Y", "D R", "D W", "F L", "F R", "F Y", "G L", "G R", "G W", "HH Y", "K L",
     "K R", "K W", "K Y", "M Y", "N Y", "P L", "P R", "P Y", "S K", "S K R", "S K W", "S L", "S M",
     "S N", "S P", "S P L", "S P R", "S T", "S T R", "S W", "SH R", "T R", "T W", "TH R", "V Y")
)  # fmt: skip
"""What more than one consonant may begin an English syllable (a single one may, but for NG)."""


def syllables(phones: Sequence[str]) -> list[Phones]:
    """Phones by syllable: one vowel each, with as many consonants before it as may begin a word."""
    kernels = [at for at, phone in enumerate(phones) if phone in VOWELS]
    if len(kernels) < 2:
        return [tuple(phones)] if phones else []
    cuts = [0]
    for left, right in pairwise(kernels):
        cut = right
        while (
            cut - 1 > left
            and (cut == right or " ".join(phones[cut - 1 : right]) in _ONSETS)
            and phones[cut - 1] != "NG"
        ):
            cut -= 1
        cuts.append(cut)
    cuts.append(len(phones))
    return [tuple(phones[a:b]) for a, b in pairwise(cuts)]
