"""Finds phrases in a line, with every known value in its slots, word by word.

Knows words and their order, not what a phrase means. A line is searched once, its slots'
values are tried only where a phrase could begin or end in them, so that many lines with
many values cost little. Called by the readers that look for words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from tablevoice.model import SlotValue
from tablevoice.phrasebook.slots import SlotName
from tablevoice.wording import normalise

Words: TypeAlias = tuple[str | SlotName, ...]


@dataclass(frozen=True, slots=True)
class Occurrence:
    """A phrase that was found; ``slot`` and ``value`` where a slot's value is part of it."""

    phrase: str
    slot: str | None = None
    value: SlotValue | None = None


def words_of(pieces: Iterable[str | SlotName]) -> Words:
    """The words of a line as they are compared, with its slots between them."""
    words: list[str | SlotName] = []
    for piece in pieces:
        if isinstance(piece, SlotName):
            words.append(piece)
        else:
            words += normalise(piece).split()
    return tuple(words)


class PhraseSearch:
    """Looks for phrases; ``form`` is what of a word counts (a stem, or the word as it is)."""

    def __init__(self, phrases: Iterable[str], form: Callable[[str], str] = str) -> None:
        self._form = form
        self._by_first: dict[str, list[tuple[tuple[str, ...], str]]] = {}
        self._begins: set[str] = set()
        self._ends: set[str] = set()
        self._longest = 0
        for phrase in dict.fromkeys(phrases):
            forms = tuple(form(word) for word in normalise(phrase).split())
            if forms:
                self._by_first.setdefault(forms[0], []).append((forms, phrase))
                self._longest = max(self._longest, len(forms))
                # Words after which, or before which, a phrase may go on.
                self._begins.update(forms[:-1])
                self._ends.update(forms[1:])

    def in_text(self, text: str) -> list[str]:
        """The phrases in a plain text, each once."""
        return list(
            dict.fromkeys(found.phrase for found in self._in_words(normalise(text).split()))
        )

    def in_line(
        self, words: Words, values: Mapping[str, Sequence[SlotValue]]
    ) -> Iterator[Occurrence]:
        """The phrases in a line, each once; those that need a slot's value come with it.

        ``values``: what may stand in each slot of this line. Phrases that lie within one
        value are not told of: they are the slot's, whatever the line.
        """
        seen: set[str] = set()
        for found in self._in_words(words):
            if found.phrase not in seen:
                seen.add(found.phrase)
                yield found
        if self._longest < 2:
            return
        for at, slot in enumerate(words):
            if not isinstance(slot, SlotName):
                continue
            before = self._near(words[max(0, at - self._longest + 1) : at][::-1])[::-1]
            after = self._near(words[at + 1 : at + self._longest])
            opened = bool(before) and self._form(before[-1]) in self._begins
            closed = bool(after) and self._form(after[0]) in self._ends
            if not opened and not closed:
                continue
            for value in values.get(slot.name, ()):
                own = normalise(str(value)).split()
                if not own or not (
                    (opened and self._form(own[0]) in self._ends)
                    or (closed and self._form(own[-1]) in self._begins)
                ):
                    continue
                inside = {found.phrase for found in self._in_words(own)}
                for found in self._in_words([*before, *own, *after]):
                    if found.phrase not in seen and found.phrase not in inside:
                        seen.add(found.phrase)
                        yield Occurrence(found.phrase, slot.name, value)

    def _in_words(self, words: Sequence[str | SlotName]) -> Iterator[Occurrence]:
        forms = [None if isinstance(word, SlotName) else self._form(word) for word in words]
        for at, form in enumerate(forms):
            if form is None:
                continue
            for phrase, as_written in self._by_first.get(form, ()):
                if tuple(forms[at : at + len(phrase)]) == phrase:
                    yield Occurrence(as_written)

    @staticmethod
    def _near(words: Sequence[str | SlotName]) -> list[str]:
        """The words up to the next slot."""
        near: list[str] = []
        for word in words:
            if isinstance(word, SlotName):
                break
            near.append(word)
        return near
