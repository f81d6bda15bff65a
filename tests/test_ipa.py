"""IPA to ARPABET, held against two outside sources that know nothing of each other."""

from __future__ import annotations

import subprocess
import sys

import pytest
from rapidfuzz.distance import Levenshtein

from tablevoice import ipa
from tablevoice.listening.dictionary import dictionary

SPELT = (
    "lantern string paper basket visitor table moth light five colour crimson silver teal violet "
    "amber ready begin another game welcome careful quick measure watch through strong yellow "
    "button little happy thing judge church vision north start bird boy house goat there here"
)


def test_symbols_are_the_longest_and_marks_are_kept() -> None:
    assert ipa.symbols_of("ˈt͡ʃɜːt.ʃɪp") == ("ˈ", "tʃ", "ɜː", "t", "ʃ", "ɪ", "p")
    assert ipa.sounds_of("/ˈzæfə laɪt/") == ("z", "æ", "f", "ə", "l", "aɪ", "t")
    with pytest.raises(ipa.UnknownSymbol) as unknown:
        ipa.sounds_of("ˈzɣf")
    assert (unknown.value.symbol, unknown.value.at) == ("ɣ", 2)


@pytest.mark.parametrize(
    ("text", "phones"),
    [
        ("ˈzæfə", "Z AE F AH"),
        ("ˈzæfɚ", "Z AE F ER"),
        ("ˈzæfəɹ", "Z AE F ER"),
        ("ˈfɜːɹi", "F ER IY"),
        ("ˈtiːl", "T IY L"),
        ("ˈt͡ʃiːf", "CH IY F"),
        ("bʌtn̩", "B AH T AH N"),
    ],
)
def test_sounds_become_phones(text: str, phones: str) -> None:
    assert ipa.arpabet(text) == phones


_ASKED = """
import ctypes, sys
from tablevoice.speech import espeak_library
library = ctypes.CDLL(str(espeak_library.wheel_path()))
library.espeak_Initialize(2, 0, str(espeak_library.wheel_data()).encode(), 0x8000)
library.espeak_SetVoiceByName(b"en-us")
library.espeak_TextToPhonemes.restype = ctypes.c_char_p
for word in sys.argv[1:]:
    text = ctypes.c_char_p(word.encode())
    phones = library.espeak_TextToPhonemes(ctypes.byref(text), 1, 0x02)
    sys.stdout.buffer.write(phones + b"\\n")
"""


def spoken_ipa(words: tuple[str, ...]) -> list[str]:
    """What espeak-ng's American voice makes of words, in IPA, from the library itself.

    In a process of its own: the library keeps its voice for whoever asks next.
    """
    asked = subprocess.run(
        [sys.executable, "-c", _ASKED, *words], capture_output=True, timeout=120, check=True
    )
    return asked.stdout.decode().split("\n")[:-1]


def test_what_one_engine_says_is_what_the_dictionary_has() -> None:
    """espeak-ng's IPA turned into phones, against the CMU Pronouncing Dictionary.

    Two sources with rules of their own differ in unstressed vowels; nine phones in ten agree.
    """
    known = dictionary()
    words = tuple(SPELT.split())
    wrong = of = 0
    for word, said in zip(words, spoken_ipa(words), strict=True):
        phones = ipa.arpabet(said).split()
        ways = known[word]
        wrong += min(Levenshtein.distance(phones, list(way)) for way in ways)
        of += len(phones)
    assert of > 150
    assert wrong / of < 0.1
