"""Pronunciation entries of a phrasebook: what is wrong with them, and who gets what of them.

Knows the sounds of English (IPA and ARPABET); of other languages it takes what is written.
Voices get the sounds or the respelling, the recogniser the phones that were given or, in
English, those that the sounds amount to. Called by the loader and its cross checks.
"""

from __future__ import annotations

import unicodedata

from tablevoice import ipa
from tablevoice.model import Pronunciation
from tablevoice.nearest import advice
from tablevoice.phrasebook.findings import Findings, shown
from tablevoice.phrasebook.merging import Draft, Found
from tablevoice.phrasebook.schema import PronounceEntry
from tablevoice.wording import normalise

# The 39 phones of the CMU Pronouncing Dictionary, which PocketSphinx's English model uses.
_PHONES = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW "
    "V W Y Z ZH"
)
ARPABET = frozenset(_PHONES.split())


def spoken_as(entry: PronounceEntry) -> Pronunciation | None:
    """What the voices get of an entry; ``None`` where it is for the recogniser alone."""
    if entry.ipa is None and entry.say is None:
        return None
    return Pronunciation((entry.ipa or "").strip(), (entry.say or "").strip())


def heard_as(entry: PronounceEntry, language: str) -> tuple[str, ...]:
    """The recogniser's phones of an entry; empty where it is for the voices alone."""
    if entry.phones is not None:
        return tuple(entry.phones)
    if entry.ipa is not None and _is_english(language):
        return (ipa.arpabet(entry.ipa),)
    return ()


def check_pronunciations(draft: Draft, findings: Findings) -> None:
    """Add everything that is wrong with the entries of a draft."""
    for word, found in draft.pronounce.items():
        entry = found.entry
        if not normalise(word):
            findings.add(f"{word!r} is not a word.", found.where(key=True), "Name a word.")
        if entry.ipa is None and entry.say is None and entry.phones is None:
            findings.add(f"the entry of {word!r} says nothing.", found.where(),
                         "Give ipa, say or phones.")
        if entry.ipa is not None:
            _check_ipa(draft, word, found, findings)
        if entry.say is not None and (not normalise(entry.say) or _unprintable(entry.say)):
            findings.add(f"the respelling of {word!r} is nothing that can be said.",
                         found.where("say"), "Write letters, as a reader would say them.")
        for index, phones in enumerate(entry.phones or ()):
            _check_phones(draft, word, phones, _place(found, index), findings)


def _check_ipa(draft: Draft, word: str, found: Found[PronounceEntry],
               findings: Findings) -> None:
    text = found.entry.ipa or ""
    if _unprintable(text) or not text.strip():
        findings.add(f"the sounds of {word!r} are nothing that can be said.", found.where("ipa"),
                     "Write symbols of the International Phonetic Alphabet.")
    elif _is_english(draft.language):
        try:
            if ipa.sounds_of(text):
                return
            findings.add(f"the sounds of {word!r} are marks alone.", found.where("ipa"),
                         "Write the sounds between the marks.")
        except ipa.UnknownSymbol as error:
            findings.add(f"{error} in the pronunciation of {word!r}.",
                         found.file.within((*found.path, "ipa"), text, error.at),
                         "Write a broad transcription, as a dictionary prints it: ˈzæfə.")


def _check_phones(draft: Draft, word: str, phones: str, where: str,
                  findings: Findings) -> None:
    if not phones.split():
        findings.add(f"the pronunciation of {word!r} is empty.", where,
                     "Write its phones, with spaces between them.")
    elif _is_english(draft.language):
        for phone in phones.split():
            if phone not in ARPABET:
                bare = phone.rstrip("012").upper()
                do = f"Write {bare!r}, without stress." if bare in ARPABET else \
                    advice(phone, ARPABET)
                findings.add(f"{shown(phone)} in the pronunciation of {word!r} is no "
                             "ARPABET phone.", where, do)


def _place(found: Found[PronounceEntry], index: int) -> str:
    """Where phones stand: in the entry itself, or under ``phones`` in it."""
    inside = found.file.has((*found.path, "phones"))
    return found.where("phones", index) if inside else found.where(index)


def _is_english(language: str) -> bool:
    return language.partition("-")[0] == "en"


def _unprintable(text: str) -> bool:
    return any(unicodedata.category(mark) in ("Cc", "Cs", "Zl", "Zp") for mark in text)
