"""Lines in which the table could hear itself: standing commands, and answers it waits for.

Standing commands are listened for while a voice sounds, answers right after a line that puts
a question or puts it again. Knows words, not sounds, and nothing of the gate that keeps most
of this away. The slot that a confirmation repeats is let pass: it cannot do without.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tablevoice.model import Phrasebook, Question, SlotValue
from tablevoice.phrasebook.desk.manuscript import Manuscript, WrittenLine
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.desk.phrase_search import (
    Occurrence,
    PhraseSearch,
    Words,
    words_of,
)
from tablevoice.phrasebook.slots import SlotName

ANSWER_SLOT = "answer"


def read_self_hearing(text: Manuscript) -> Iterator[Note]:
    """Notes on commands (H401) and answers (H402) in lines, and on commands in slot values."""
    book = text.book
    kinds = {phrase: kind for kind, one in book.standing.items() for phrase in one.phrases}
    commands = PhraseSearch(kinds)
    answers = {name: PhraseSearch(phrases) for name, phrases in _awaited(book).items()}
    for event, line in text.lines():
        words = words_of(line.pieces)
        values = values_in(text, line, words)
        for found in commands.in_line(words, values):
            yield line.note(
                "H401", f"{line.quoted} contains “{found.phrase}”{_with(found)}, the "
                f"command {kinds[found.phrase]!r}: the table would hear itself.",
                "Say it in other words.")  # fmt: skip
        awaited = answers.get(event.event.name)
        if awaited is not None:
            for found in awaited.in_line(words, values):
                yield _answer(line, found)
            yield from _answers_in_values(line, awaited, values)
    for slot in text.slots.values():
        for value, place in slot.values:
            for phrase in commands.in_text(str(value)):
                yield slot.note(
                    "H401", f"the value “{value}” of slot {slot.name!r} contains “{phrase}”, the "
                    f"command {kinds[phrase]!r}: the table would hear itself.",
                    "Name it otherwise.", place)  # fmt: skip


def values_in(
    text: Manuscript, line: WrittenLine, words: Words
) -> Mapping[str, tuple[SlotValue, ...]]:
    """What may stand in each slot of a line."""
    return {
        word.name: text.values_in(line.line, word.name)
        for word in words if isinstance(word, SlotName)
    }  # fmt: skip


def _answers_in_values(
    line: WrittenLine, awaited: PhraseSearch, values: Mapping[str, tuple[SlotValue, ...]]
) -> Iterator[Note]:
    for slot, some in values.items():
        if slot == ANSWER_SLOT:
            continue
        for value in some:
            for phrase in awaited.in_text(str(value)):
                yield _answer(line, Occurrence(phrase, slot, value))
                break
            else:
                continue
            break


def _answer(line: WrittenLine, found: Occurrence) -> Note:
    return line.note(
        "H402", f"{line.quoted} contains “{found.phrase}”{_with(found)}, which is an answer "
        "that the table listens for right after it.",
        "Ask without naming an answer.")  # fmt: skip


def _awaited(book: Phrasebook) -> dict[str, list[str]]:
    """For each event after whose lines answers are listened for: those answers."""
    found: dict[str, list[str]] = {}
    for question in book.questions.values():
        phrases = _answers_of(question)
        asking = [event.name for event in book.events.values() if event.asks == question.name]
        for name in (*asking, question.ask_again, question.waited):
            if name is not None:
                found.setdefault(name, []).extend(phrases)
        if question.confirm is not None:
            found.setdefault(question.confirm, []).extend((*phrases, *question.yes, *question.no))
    return found


def _answers_of(question: Question) -> list[str]:
    return [phrase for phrases in question.answers.values() for phrase in phrases]


def _with(found: Occurrence) -> str:
    return "" if found.slot is None else f" when {found.slot} is “{found.value}”"
