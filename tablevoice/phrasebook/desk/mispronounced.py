"""What engines say wrongly, or each in its own way: numerals, units, abbreviations, signs.

Knows how such things are written, not how any engine reads them. Units' symbols and names
are those of the Unicode CLDR, by `babel`; numbers in words, for English, are by `inflect`.
A word whose sounds or respelling stand under ``pronounce:`` is let pass.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Literal

from babel import Locale, UnknownLocaleError
from babel.units import format_unit

from tablevoice.phrasebook.desk.manuscript import Manuscript
from tablevoice.phrasebook.desk.notes import Note, several
from tablevoice.phrasebook.slots import SlotName
from tablevoice.wording import normalise

UNITS = (
    "mass-kilogram", "mass-gram", "mass-milligram", "mass-pound", "mass-ounce",
    "length-millimeter", "length-centimeter", "length-meter", "length-kilometer",
    "length-micrometer", "length-foot",
    "temperature-celsius", "temperature-fahrenheit", "angle-degree",
    "duration-millisecond", "duration-second", "duration-minute", "duration-hour",
    "speed-kilometer-per-hour", "speed-mile-per-hour", "speed-meter-per-second",
    "volume-liter", "volume-milliliter", "frequency-hertz", "frequency-kilohertz",
    "electric-volt", "electric-ampere", "electric-ohm", "power-watt", "power-kilowatt",
    "energy-kilowatt-hour", "pressure-pascal", "pressure-bar", "pressure-hectopascal",
    "force-newton", "digital-megabyte", "digital-gigabyte",
)  # fmt: skip
"""CLDR's names of units that a cell may speak of; not the inch, whose symbol is a plain word."""

# Ours; CLDR has no such list. Those with a stop are found with it alone: "no." is "number" in
# "no. 5", but the end of a sentence in most other places, so it is not here.
ABBREVIATIONS = {
    "en": ("approx.", "appr.", "asst.", "ca.", "cf.", "dept.", "dr.", "e.g.", "est.", "etc.",
           "ft.", "i.e.", "incl.", "lbs", "max.", "mfg.", "min.", "misc.", "mr.", "mrs.", "ms.",
           "nr.", "pcs", "prof.", "qty", "ref.", "resp.", "rpm", "tel.", "temp.", "vol.", "vs",
           "vs.", "w/o", "a.m.", "p.m."),
    "de": ("bzw.", "ca.", "d.h.", "d. h.", "dr.", "evtl.", "ggf.", "inkl.", "max.", "min.", "nr.",
           "o.ä.", "prof.", "stk.", "str.", "tel.", "u.a.", "u. a.", "usw.", "vgl.", "z.b.",
           "z. b.", "zzgl."),
    "es": ("aprox.", "dr.", "dra.", "etc.", "máx.", "mín.", "núm.", "p. ej.", "p.ej.", "pág.",
           "sr.", "sra.", "tel.", "ud.", "uds."),
}  # fmt: skip

_SPOKEN_SIGNS = frozenset(".,;:!?¡¿'\"-–—…«»‹›„“”‘’‚·、。！？，、「」『』")
"""Punctuation that gives a sentence its shape."""
_WORD = re.compile(r"(?:(?<=\d)[.,:](?=\d)|[^\s.,;:!?¡¿\"“”„«»…()\[\]{}<>])+")
_CAPITALS = re.compile(r"(?:[A-Z]{2,}|[А-Я]{2,}|[Α-Ω]{2,})s?")
_DIGITS = re.compile(r"\d+(?:[.,:]\d+)*")
_SHORT_FORMS: tuple[Literal["short", "narrow"], ...] = ("short", "narrow")
_JOINERS = frozenset("\u200d\ufe0f\ufe0e\u20e3")


@dataclass(frozen=True, slots=True)
class Trouble:
    """A piece of text that is likely to be said wrongly, and what could stand there instead."""

    code: str
    found: str
    instead: str


_WHAT = {
    "P501": "the numeral",
    "P502": "the unit",
    "P503": "the abbreviation",
    "P504": "the sign",
    "P505": "the emoji",
    "P506": "the capitals",
}
_DO = {
    "P501": "Write it as it is to be said, in words.",
    "P502": "Write the unit's name.",
    "P503": "Write it out.",
    "P504": "Write the word for it, or leave it out.",
    "P505": "Leave it out: nobody hears it.",
    "P506": "Write it as it is to be said, or give its sounds under 'pronounce:'.",
}


def read_mispronounced(text: Manuscript) -> Iterator[Note]:
    """Notes on what is likely to be said wrongly in lines, and in the values of slots."""
    known = frozenset(normalise(word) for word in text.book.spoken)
    whole_numbers = {
        name for name, slot in text.slots.items()
        if slot.values and all(isinstance(value, int) for value, _ in slot.values)
    }  # fmt: skip
    for _, line in text.lines():
        found: dict[str, list[Trouble]] = {}
        after_number = False
        for piece in line.pieces:
            if isinstance(piece, SlotName):
                after_number = piece.name in whole_numbers
                continue
            for trouble in troubles(piece, text.book.language, after_number, known):
                found.setdefault(trouble.code, []).append(trouble)
            after_number = False
        for code, some in found.items():
            yield line.note(code, f"{line.quoted} has {_told(code, some)}, which voices say each "
                            "in its own way or not at all.", _advice(code, some))  # fmt: skip
    for slot in text.slots.values():
        for value, place in slot.values:
            if isinstance(value, int):
                continue
            by_code: dict[str, list[Trouble]] = {}
            for trouble in troubles(value, text.book.language, False, known):
                by_code.setdefault(trouble.code, []).append(trouble)
            for code, some in by_code.items():
                yield slot.note(code, f"the value “{value}” of slot {slot.name!r} has "
                                f"{_told(code, some)}, which voices say each in its own way or "
                                "not at all.", _advice(code, some), place)  # fmt: skip


def troubles(
    text: str, language: str, after_number: bool = False, known: Collection[str] = ()
) -> list[Trouble]:
    """What in a plain text is likely to be said wrongly, in its order, each once.

    ``after_number``: a number in digits stands before the text. ``known``: words, normalised, whose
    sounds the voices are told.
    """
    tongue = language.partition("-")[0]
    found: dict[Trouble, None] = {}
    rest = _without_abbreviations(text, tongue, known, found)
    units = unit_names(language)
    for match in _WORD.finditer(rest):
        word = match.group()
        if normalise(word) in known or word in known:
            after_number = False
            continue
        bare = word.strip("'’*_~/\\|")
        number = _DIGITS.search(bare)
        if number is not None:
            unit = bare[number.end() :]
            alone = not any(mark.isalpha() for mark in bare[: number.start()])
            if alone and (unit in units or not any(mark.isalpha() for mark in unit)):
                found[Trouble("P501", number.group(), _in_words(number.group(), tongue))] = None
                if unit in units:
                    found[Trouble("P502", unit, units[unit])] = None
                after_number = not unit
            else:
                found[Trouble("P501", bare, "")] = None
                after_number = False
        elif bare in units and (after_number or _never_a_word(bare)):
            found[Trouble("P502", bare, units[bare])] = None
            after_number = False
        elif _CAPITALS.fullmatch(bare):
            found[Trouble("P506", bare, "")] = None
            after_number = False
        else:
            after_number = False
    covered = "".join(one.found for one in found if one.code == "P502")
    for sign in _signs(rest):
        if sign not in covered:
            code = "P505" if _is_emoji(sign) else "P504"
            found[Trouble(code, sign, "")] = None
    return list(found)


@cache
def unit_names(language: str) -> dict[str, str]:
    """Units' symbols in a language, each with the unit's name as it is said of several."""
    locale = _locale(language)
    names: dict[str, str] = {}
    for unit in UNITS:
        long = _bare(format_unit(2, unit, length="long", locale=locale).replace("2", "", 1))
        written = (
            format_unit(number, unit, length=length, locale=locale).replace(str(number), "", 1)
            for length in _SHORT_FORMS
            for number in (1, 2)
        )
        for symbol in map(_bare, written):
            # What is no shorter than its name, or a mark alone, is nothing to warn of here.
            if symbol and symbol != long and any(mark.isalpha() or mark == "°" for mark in symbol):
                names.setdefault(symbol, long)
                names.setdefault(symbol.rstrip("."), long)  # the stop is not part of a word here
    for symbol in ("l", "ml"):  # with a small letter, too, where CLDR has the capital
        if symbol.replace("l", "L") in names:
            names.setdefault(symbol, names[symbol.replace("l", "L")])
    return names


def _bare(text: str) -> str:
    return text.strip("\u00a0\u202f ")


def _never_a_word(symbol: str) -> bool:
    """Whether a symbol is one even where no number stands before it: kg, but not "in"."""
    letters = [mark for mark in symbol if mark.isalpha()]
    if any(not mark.isalpha() and mark not in "." for mark in symbol):
        return True
    return len(letters) > 1 and not any(
        unicodedata.normalize("NFD", mark)[0] in "aeiouyAEIOUY" for mark in letters
    )


def _locale(language: str) -> Locale:
    try:
        return Locale.parse(language, sep="-")
    except (UnknownLocaleError, ValueError):
        return Locale("en")  # SI symbols are the same everywhere


def _without_abbreviations(
    text: str, tongue: str, known: Collection[str], found: dict[Trouble, None]
) -> str:
    """The text less its abbreviations, which go to ``found``."""

    def noted(match: re.Match[str]) -> str:
        if normalise(match.group()) in known:
            return match.group()
        found[Trouble("P503", match.group(), "")] = None
        return " " * len(match.group())

    return _abbreviations(tongue).sub(noted, text)


@cache
def _abbreviations(tongue: str) -> re.Pattern[str]:
    listed = sorted(ABBREVIATIONS.get(tongue, ()), key=len, reverse=True)
    known = "|".join(re.escape(one) for one in listed)
    # Letters with stops between them are abbreviations in any language: a.m., u.s.a.
    dotted = r"(?:[^\W\d_]\.){2,}"
    after = r"(?!\w)"
    return re.compile(rf"(?<!\w)(?:{known + '|' if known else ''}{dotted}){after}", re.IGNORECASE)


def _in_words(numeral: str, tongue: str) -> str:
    if tongue != "en" or not numeral.isascii() or not numeral.isdigit() or len(numeral) > 6:
        return ""
    import inflect  # takes a second or more: only where a numeral was found

    return str(inflect.engine().number_to_words(numeral))


def _signs(text: str) -> Iterator[str]:
    """Characters that are neither letters, digits, spaces nor the punctuation of sentences."""
    for character in text:
        category = unicodedata.category(character)
        if character in _SPOKEN_SIGNS or category[0] in "LNZ" or character in _JOINERS:
            continue
        if category[0] == "M" or category == "Cf" or character in "\t\n":
            continue
        if 0x1F3FB <= ord(character) <= 0x1F3FF:  # a tone of skin belongs to the emoji before
            continue
        yield character


def _is_emoji(sign: str) -> bool:
    """Pictures: Unicode's other symbols, less those of money, sums and trade."""
    return unicodedata.category(sign) == "So" and sign not in "°©®™№℃℉" and ord(sign) >= 0x2190


def _told(code: str, some: list[Trouble]) -> str:
    return f"{_WHAT[code]} {several([trouble.found for trouble in some])}"


def _advice(code: str, some: list[Trouble]) -> str:
    instead = [trouble.instead for trouble in some if trouble.instead]
    if len(instead) == len(some):
        return f"Write {several(instead)}."
    return _DO[code]
