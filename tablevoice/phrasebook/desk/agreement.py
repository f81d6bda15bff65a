"""Values of slots that make a wrong sentence: every value is tried in every line.

English articles and plurals are those of `inflect`. Other languages are asked, through
`babel`, which numbers they tell apart; that one wording serves two such numbers is all that
can be seen without a dictionary of the language. Knows no grammar beyond a word or two
around a slot, and rather says nothing than something doubtful.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from tablevoice.model import SlotValue
from tablevoice.phrasebook.desk.manuscript import Manuscript, WrittenLine
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.plurals import category_of
from tablevoice.phrasebook.slots import SlotName
from tablevoice.wording import normalise

if TYPE_CHECKING:
    import inflect

_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)?")
_LAST_WORD = re.compile(r"([^\W\d_]+)[\s]+$")
_NEXT_WORDS = re.compile(r"\s+([^.,;:!?()“”\"]*)")

MOST_NOUN_WORDS = 3
"""So many words after a number are looked at for its noun: "two bright paper lanterns"."""

DETERMINERS = frozenset({"a", "an", "the", "this", "that", "these", "those", "my", "your", "our"})

# Words that end a run of adjectives and nouns after a number. A closed class of English, so
# that a list will do; what is missing here costs a finding at most where a plural is near.
_CLOSED_CLASS = """
a about above after again all almost already also am among an and any anyway are around as at away
back be because been before behind below beside better between both but by can did do does down
each either else enough even ever every far few for from further had has have he her here his how
i if in indeed inside into is it its just last later least left less like many maybe me more most
much must my near nearly never next no nor not now of off on once one only or other our out over
per perhaps please plus quite rather right she should since so some soon still such than that the
their them then there these they this those though through till times to today together too
towards twice two under until up upon us very was we well were what when where whether which while
who whose why will with within without would yet you your always across thus alas
"""
_NO_NOUN = frozenset(_CLOSED_CLASS.split())

# Nouns for one that `inflect` 7 takes for plurals, beside those that end in -us, -is or -ss.
_FOR_ONE = frozenset(
    ("alias", "atlas", "bias", "canvas", "chaos", "cosmos", "gas", "lens", "pancreas")
)

# What stands for one and for several, where the verb is one of these: a closed class, too.
_PAIRS = {"is": "are", "was": "were", "has": "have", "does": "do", "isn't": "aren't",
          "wasn't": "weren't", "hasn't": "haven't", "doesn't": "don't", "needs": "need",
          "makes": "make"}  # fmt: skip
_FOR_SEVERAL = {several: one for one, several in _PAIRS.items()}


def read_agreement(text: Manuscript) -> Iterator[Note]:
    """Notes on articles (G701), nouns (G702), verbs (G703), words twice (G704), numbers (G705)."""
    english = _English(_vocabulary(text)) if text.language == "en" else None
    for _, line in text.lines():
        for at, slot in enumerate(line.pieces):
            if not isinstance(slot, SlotName):
                continue
            values = text.values_in(line.line, slot.name)
            place = _Place(line, slot.name, values, _text(line.pieces, at - 1),
                           _text(line.pieces, at + 1))  # fmt: skip
            yield from _said_twice(place)
            if english is not None:
                yield from english.read(place)
            else:
                yield from _numbers_apart(place, text.book.language)


@dataclass(frozen=True, slots=True)
class _Place:
    """A slot in a line: the values that may come, and the plain text on both sides."""

    line: WrittenLine
    slot: str
    values: Sequence[SlotValue]
    before: str
    after: str

    def with_value(self, value: SlotValue) -> str:
        """The words around the slot with a value in it, as a reader would see them."""
        before = self.before.split()[-3:]
        after = self.after.split()[:3]
        glue_before = "" if self.before and not self.before[-1].isspace() else " "
        glue_after = "" if self.after and not self.after[0].isspace() else " "
        return f"{' '.join(before)}{glue_before}{value}{glue_after}{' '.join(after)}".strip()

    def note(self, code: str, value: SlotValue, what: str, do: str) -> Note:
        return self.line.note(
            code, f"{self.line.quoted} reads “{self.with_value(value)}” when {self.slot} is "
            f"{value}: {what}.", do)  # fmt: skip


def _text(pieces: Sequence[str | SlotName], at: int) -> str:
    if not 0 <= at < len(pieces):
        return ""
    piece = pieces[at]
    return piece if isinstance(piece, str) else ""


def _said_twice(place: _Place) -> Iterator[Note]:
    before = _LAST_WORD.search(place.before)
    after = _NEXT_WORDS.match(place.after)
    word_before = normalise(before[1]) if before else ""
    word_after = (normalise(after[1]).split() or [""])[0] if after else ""
    for value in place.values:
        words = normalise(str(value)).split()
        if not words:
            continue
        if word_before and words[0] == word_before:
            yield place.note("G704", value, f"“{word_before}” stands twice",
                             "Take it out of the line or of the value.")  # fmt: skip
            return
        if word_after and words[-1] == word_after:
            yield place.note("G704", value, f"“{word_after}” stands twice",
                             "Take it out of the line or of the value.")  # fmt: skip
            return
        if word_before in DETERMINERS - {"that"} and words[0] in DETERMINERS:
            yield place.note("G704", value, f"“{word_before} {words[0]}” is one article too many",
                             "Take one out, of the line or of the value.")  # fmt: skip
            return


def _inflect() -> inflect.engine:
    import inflect  # takes a second or more: not where no line is English

    return inflect.engine()


@dataclass(slots=True)
class _English:
    """The rules that need English; ``vocabulary`` are the words of the phrasebook's lines."""

    vocabulary: Collection[str]
    _engine: inflect.engine = field(default_factory=_inflect)
    _article: Callable[[str], str] = field(init=False)
    _singular: Callable[[str], str | None] = field(init=False)

    def __post_init__(self) -> None:
        self._article = lru_cache(maxsize=16_384)(self._find_article)
        self._singular = lru_cache(maxsize=16_384)(self._find_singular)

    def read(self, place: _Place) -> Iterator[Note]:
        yield from self._articles(place)
        if place.values and all(isinstance(value, int) for value in place.values):
            yield from self._counted(place)
        else:
            yield from self._named(place)

    def _find_article(self, text: str) -> str:
        return str(self._engine.a(text)).split(" ", 1)[0]

    def _find_singular(self, word: str) -> str | None:
        """The singular of a plural noun; ``None`` for everything else."""
        if (
            word in _NO_NOUN
            or word in _PAIRS
            or word in _FOR_ONE
            or len(word) < 3
            or word.endswith(("us", "is", "ss"))
        ):
            return None
        found = self._engine.singular_noun(word)
        # Only what comes back as the same plural is one.
        if not found or found == word or str(self._engine.plural_noun(str(found))) != word:
            return None
        return str(found)

    def _articles(self, place: _Place) -> Iterator[Note]:
        before = _LAST_WORD.search(place.before)
        if before is None or before[1].lower() not in ("a", "an"):
            return
        written = before[1].lower()
        for value in place.values:
            # In words, since `inflect` takes 11 for "one one".
            words = (
                str(self._engine.number_to_words(str(value))) if isinstance(value, int) else value
            )
            if normalise(words).split()[:1] in ([one] for one in DETERMINERS):
                continue  # told of as an article too many
            right = self._article(words)
            if right != written:
                yield place.note("G701", value, f"it is “{right} {value}”",
                                 "Word the line so that no article stands before the slot, or "
                                 "give it conditions.")  # fmt: skip
                return

    def _counted(self, place: _Place) -> Iterator[Note]:
        """A number in the slot: its noun after it, the verbs around both."""
        one = next((value for value in place.values if value == 1), None)
        other = next(
            (value for value in place.values if isinstance(value, int) and value > 1), None
        )
        before = _LAST_WORD.search(place.before)
        run = _run(place.after)
        plural = next((word for word in run if self._singular(word) is not None), None)
        single = None if plural else next((word for word in reversed(run) if self._counts(word)),
                                          None)  # fmt: skip
        if plural is not None and one is not None:
            yield place.note("G702", one, f"it is “{self._singular(plural)}” of one",
                             _own_line(place, "1"))  # fmt: skip
            return
        if single is not None and other is not None:
            yield place.note(
                "G702", other, f"it is “{self._engine.plural_noun(single)}” of several",
                _own_line(place, "{not: 1}"),
            )  # fmt: skip
            return
        there = before is not None and re.search(r"\bthere\s+\w+\s*$", place.before, re.IGNORECASE)
        asked = re.search(r"\b(\w+)\s+there\s*$", place.before, re.IGNORECASE)
        verbs = [before[1].lower()] if there and before else [asked[1].lower()] if asked else []
        noun = plural or single
        if noun is not None:
            verbs += _after_run(place.after, noun)
        for verb in verbs:
            if verb in _FOR_SEVERAL and one is not None:
                yield place.note("G703", one, f"it is “{_FOR_SEVERAL[verb]}” of one",
                                 _own_line(place, "1"))  # fmt: skip
                return
            if verb in _PAIRS and other is not None:
                yield place.note(
                    "G703", other, f"it is “{_PAIRS[verb]}” of several",
                    _own_line(place, "{not: 1}"),
                )  # fmt: skip
                return

    def _counts(self, word: str) -> bool:
        """Whether a word is a noun in the singular, as far as this phrasebook shows: only one
        whose plural stands elsewhere in it is taken for a noun."""
        if word in _NO_NOUN or word in _PAIRS:
            return False
        return str(self._engine.plural_noun(word)) in self.vocabulary

    def _named(self, place: _Place) -> Iterator[Note]:
        """A name of something in the slot: the verb after it, this and these before it."""
        after = _NEXT_WORDS.match(place.after)
        verb = (after[1].lower().split() or [""])[0] if after else ""
        before = _LAST_WORD.search(place.before)
        pointing = before[1].lower() if before else ""
        if pointing and _LAST_WORD.sub("", place.before).rstrip().endswith((" of", " and", " or")):
            verb = ""  # "one of the mugs is": the verb belongs to what stands before
        for value in place.values:
            several = self._is_several(str(value))
            if several is None:
                continue
            if several and verb in _PAIRS:
                yield place.note("G703", value, f"it is “{_PAIRS[verb]}” of several",
                                 "Word the line so that it has no such verb, or give it "
                                 "conditions.")  # fmt: skip
                return
            if not several and verb in _FOR_SEVERAL and not _joined(place.before):
                yield place.note("G703", value, f"it is “{_FOR_SEVERAL[verb]}” of one",
                                 "Word the line so that it has no such verb, or give it "
                                 "conditions.")  # fmt: skip
                return
            wrong = pointing in (("this", "that") if several else ("these", "those"))
            # "I fear that Briar wins": that, too, joins clauses.
            if wrong and (pointing != "that"):
                yield place.note("G702", value,
                                 f"“{pointing}” goes with {'one' if several else 'several'}",
                                 "Word the line without it.")  # fmt: skip
                return

    def _is_several(self, value: str) -> bool | None:
        """Whether a value names several things; ``None`` for a name, of which nobody knows."""
        words = value.split()
        if not words or words[-1][:1].isupper():
            return None
        last = normalise(words[-1])
        if not last:
            return None
        if self._singular(last) is not None:
            return True
        return str(self._engine.plural_noun(last)) == last and last.endswith("s")


def _own_line(place: _Place, condition: str) -> str:
    return f"Give that a line of its own: when: {{{place.slot}: {condition}}}."


def _run(after: str) -> list[str]:
    """The words after a number that may be its adjectives and its noun."""
    found = _NEXT_WORDS.match(after)
    run: list[str] = []
    for word in normalise(found[1]).split() if found else ():
        if (
            word in _NO_NOUN
            or word in _PAIRS
            or word in _FOR_SEVERAL
            or len(run) == MOST_NOUN_WORDS
        ):
            break
        run.append(word)
    return run


def _after_run(after: str, noun: str) -> list[str]:
    """The word that follows a noun after the slot."""
    found = _NEXT_WORDS.match(after)
    words = normalise(found[1]).split() if found else []
    at = words.index(noun) + 1 if noun in words else len(words)
    return words[at : at + 1]


def _joined(before: str) -> bool:
    """Whether what stands before a slot makes several of it: "Alder and Briar are"."""
    return re.search(r"\band\s*$|,\s*$|\byou\s*$", before, re.IGNORECASE) is not None


def _vocabulary(text: Manuscript) -> frozenset[str]:
    """The words of all lines, and the names of slots, which are often a noun in the plural."""
    words = set(text.slots)
    for _, line in text.lines():
        for piece in line.pieces:
            if isinstance(piece, str):
                words.update(normalise(piece).split())
    return frozenset(words)


def _numbers_apart(place: _Place, language: str) -> Iterator[Note]:
    """One wording for numbers that a language tells apart (the plural categories of CLDR)."""
    after = _NEXT_WORDS.match(place.after)
    noun = next(iter(_WORD.findall(after[1])), "") if after else ""
    # German writes its nouns with a capital; elsewhere the next word has to do.
    if not noun or (language.startswith("de") and not noun[0].isupper()):
        return
    first: dict[str, SlotValue] = {}
    for value in place.values:
        category = category_of(abs(value), language) if isinstance(value, int) else None
        if category is None:
            return
        first.setdefault(category, value)
    if len(first) > 1:
        told = ", ".join(f"“{value} {noun}” ({category})" for category, value in first.items())
        yield place.line.note(
            "G705", f"{place.line.quoted} serves numbers that the language tells apart: {told}.",
            f"Give each its line (when: {{{place.slot}: {{plural: {next(iter(first))}}}}}), or "
            "accept this where the word is the same.",
        )  # fmt: skip
