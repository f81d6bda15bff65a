"""The codes of the desk's findings: stable names, how much each matters, what it is about.

A code never changes its meaning and is never given to anything else. Read by everything
that shows findings, and by the check of acceptances.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType


class Severity(Enum):
    """``ERROR`` keeps the table from opening; the others are advice, ``NOTE`` the mildest."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Rule:
    """One kind of finding: ``name`` for programs, ``about`` for whoever meets it."""

    code: str
    name: str
    severity: Severity
    about: str


_ERROR, _WARNING, _NOTE = Severity.ERROR, Severity.WARNING, Severity.NOTE

_RULES = (
    Rule("E101", "EventWithoutLines", _ERROR, "An event has no line that may be said."),
    Rule("E102", "NoLineForValues", _ERROR,
         "For some values of its slots, an event has no line to say."),
    Rule("E103", "TooFewLines", _WARNING,
         "Lines come back too soon for how often the event is expected in a session. "
         "Warnings are left out: they should sound the same each time."),
    Rule("E104", "OnlyOneLine", _NOTE,
         "An event has a single line to say, for some values of its slots at least."),
    Rule("D201", "NearlyTheSame", _NOTE,
         "Two lines of an event that may come in the same situation differ by hardly anything."),
    Rule("D202", "SameWordsElsewhere", _NOTE,
         "The same words stand in another event; the chooser does not know that it is a repeat."),
    Rule("L301", "LongerThanItsMove", _WARNING,
         "The prepared line, as the voice speaks it, lasts longer than the event's longest_s. "
         "The table leaves such lines out."),
    Rule("H401", "HearsACommand", _WARNING,
         "A line contains a standing command; those are listened for while the table speaks."),
    Rule("H402", "HearsAnAnswer", _WARNING,
         "A line after which an answer is listened for contains such an answer."),
    Rule("P501", "Numeral", _WARNING,
         "Engines differ in how they read numerals: a year, a count, digit by digit."),
    Rule("P502", "Unit", _WARNING,
         "Engines spell units' symbols out, or read them as words."),
    Rule("P503", "Abbreviation", _WARNING,
         "Engines read abbreviations as words, or take their stop for the sentence's end."),
    Rule("P504", "Symbol", _WARNING,
         "Engines leave symbols out, or read their names."),
    Rule("P505", "Emoji", _WARNING,
         "Engines leave emoji out, or read their long names."),
    Rule("P506", "Capitals", _NOTE,
         "Engines spell words in capitals out, or do not, each as it likes."),
    Rule("W601", "UnfitForAudience", _WARNING,
         "A word is unfit for the audience that the cell file names."),
    Rule("G701", "WrongArticle", _WARNING,
         "With some value of a slot, the article before it is wrong: a amber."),
    Rule("G702", "WrongNumber", _WARNING,
         "With some value of a slot, a noun has the wrong number: one lanterns."),
    Rule("G703", "WrongVerb", _WARNING,
         "With some value of a slot, a verb does not agree: the scissors is missing."),
    Rule("G704", "SaidTwice", _WARNING,
         "With some value of a slot, a word or an article stands twice: the the mug."),
    Rule("G705", "OneWordingForSeveralNumbers", _NOTE,
         "One wording serves numbers that the language tells apart (the plural categories of "
         "the Unicode CLDR)."),
    Rule("A801", "NothingToAccept", _WARNING,
         "An acceptance stands where nothing of that code is found any more."),
    Rule("A802", "UnknownCode", _WARNING, "An acceptance names a code that there is not."),
    Rule("F901", "FileRefused", _ERROR,
         "A file is not usable as it is; the message says what is wrong and what would be right."),
)  # fmt: skip

RULES = MappingProxyType({rule.code: rule for rule in _RULES})

FILE_REFUSED = "F901"
