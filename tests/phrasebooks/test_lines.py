"""The lines that come with the package: enough of them, fit to say, and fit for the microphone."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache

import pytest

from benchmarks.colour_words import dictionary
from tablevoice.cell import load_cell
from tablevoice.model import (
    EventLines,
    Line,
    Phrasebook,
    Priority,
    Question,
    SlotValue,
    StandingKind,
)
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.slots import eligible, slots_in
from tablevoice.shipped import shipped

ENGLISH = ("lantern_strings.yaml", "packing_bench.yaml")
CELLS = {
    "lantern_table.yaml": "lantern_strings.yaml",
    "packing_bench_cell.yaml": "packing_bench.yaml",
    "korean_lamp_cell.yaml": "korean_lamp.yaml",
    "laternentisch.yaml": "laternenschnur.yaml",
}
COLOURS = ("crimson", "silver", "teal", "violet")
MOST_WORDS = {Priority.WARNING: 6}
MOST_WORDS_ELSE = 14
UNFIT = re.compile(
    r"\b(damn|hell|bloody|stupid|idiot|dumb|ugly|hate|kill|die|dead|drunk|beer|bet|shut up)\b",
    re.IGNORECASE,
)
AMERICAN = re.compile(r"\b(color|favorite|gray|center|neighbor)\w*\b", re.IGNORECASE)
CLAIMS_SAFETY = re.compile(
    r"\b(safe|safely|safety|reach in|you may reach|all clear|locked out|go ahead)\b", re.IGNORECASE
)


@cache
def book(name: str) -> Phrasebook:
    return load_phrasebook(shipped(name))


def every_line(lines: Phrasebook) -> Iterator[tuple[EventLines, Line]]:
    for event in lines.events.values():
        for line in event.lines:
            yield event, line


def fillings_of(event: EventLines, lines: Phrasebook) -> Iterator[Mapping[str, SlotValue]]:
    """Every combination of known slot values that may come with an event."""
    known = [lines.slot_values[slot] or ("a short note",) for slot in event.slots]
    for values in itertools.product(*known):
        yield dict(zip(event.slots, values, strict=True))


def words_of(text: str) -> Sequence[str]:
    return re.findall(r"[a-z']+", re.sub(r"\{\w+\}", " ", text).lower())


def says(text: str, phrase: str) -> bool:
    """Whether the words of a phrase stand in a text, one after the other."""
    return f" {phrase} " in f" {' '.join(words_of(text))} "


def phrases_of(question: Question) -> set[str]:
    return set(itertools.chain(*question.answers.values()))


@pytest.mark.parametrize(
    ("name", "least"), [("lantern_strings.yaml", 25), ("packing_bench.yaml", 25)]
)
def test_there_are_enough_events(name: str, least: int) -> None:
    assert len(book(name).events) >= least


@pytest.mark.parametrize("name", ENGLISH)
def test_whatever_happens_six_different_lines_can_be_said(name: str) -> None:
    lines = book(name)
    for event in lines.events.values():
        for slots in fillings_of(event, lines):
            texts = {line.text for line in event.lines if eligible(line, slots)}
            assert len(texts) >= 6, (event.name, slots)


@pytest.mark.parametrize("arm", ["Alder", "Briar", None])
def test_a_win_has_twenty_lines_for_every_seat(arm: str | None) -> None:
    events = book("lantern_strings.yaml").events
    event, slots = (events["win_visitor"], {}) if arm is None else (events["win"], {"arm": arm})
    assert len({line.text for line in event.lines if eligible(line, slots)}) >= 20


@pytest.mark.parametrize("name", ENGLISH)
def test_no_line_says_what_the_microphone_acts_on(name: str) -> None:
    # The standing commands are heard while a voice sounds, so no line may contain one. A
    # line that puts or follows up a question may not contain an answer to it. Where a
    # slot says a colour, the gate has to do; the words of a text are the writer's choice.
    lines = book(name)
    standing = {phrase for command in lines.standing.values() for phrase in command.phrases}
    answers: dict[str, set[str]] = {event: set() for event in lines.events}
    for question in lines.questions.values():
        asking = {event.name for event in lines.events.values() if event.asks == question.name}
        for event_name in asking | {question.ask_again, question.waited} - {None}:
            answers[str(event_name)] |= phrases_of(question)
        if question.confirm is not None:
            answers[question.confirm] |= {*question.yes, *question.no, *phrases_of(question)}
    found = [
        (event.name, line.text, phrase)
        for event, line in every_line(lines)
        for phrase in standing | answers[event.name]
        if says(line.text, phrase)
    ]
    assert found == []


def test_colours_are_named_in_a_line_only_where_help_lists_them() -> None:
    named = {
        event.name
        for event, line in every_line(book("lantern_strings.yaml"))
        if any(says(line.text, colour) for colour in COLOURS)
    }
    assert named == {"help"}


@pytest.mark.parametrize("name", ENGLISH)
def test_lines_can_be_spoken_as_they_are_written(name: str) -> None:
    for event, line in every_line(book(name)):
        plain = re.sub(r"\{\w+\}", "", line.text)
        assert not re.search(r"[0-9&@#%/+*_=<>()\[\]~^|\\]", plain), line.text
        assert not re.search(r"\b[A-Z]{2,}\b|\b(e\.g|i\.e|etc|approx|max|min|nr)\b", plain), (
            line.text
        )
        assert re.search(r"[.!?]$", line.text), f"no end of sentence: {line.text}"
        most = MOST_WORDS.get(event.priority, MOST_WORDS_ELSE)
        assert len(line.text.split()) <= most, (event.name, line.text)


@pytest.mark.parametrize("name", ENGLISH)
def test_lines_are_fit_for_everybody_and_claim_no_safety(name: str) -> None:
    for event, line in every_line(book(name)):
        assert not UNFIT.search(line.text), (event.name, line.text)
        assert not AMERICAN.search(line.text), (event.name, line.text)
        assert not CLAIMS_SAFETY.search(line.text), (event.name, line.text)


@pytest.mark.parametrize("name", ENGLISH)
def test_no_line_stands_twice_in_an_event(name: str) -> None:
    for event in book(name).events.values():
        texts = [(line.text, line.voice) for line in event.lines]
        assert len(texts) == len(set(texts)), event.name


@pytest.mark.parametrize("name", ENGLISH)
def test_every_word_that_may_be_heard_is_in_the_recognisers_dictionary(name: str) -> None:
    lines = book(name)
    phrases = {phrase for command in lines.standing.values() for phrase in command.phrases}
    for question in lines.questions.values():
        phrases |= phrases_of(question) | {*question.yes, *question.no}
    words = {word for phrase in phrases for word in phrase.split()}
    assert words - set(dictionary()) - set(lines.pronunciations) == set()
    assert len(words) > 8  # the check above means nothing for an empty set


@pytest.mark.parametrize("name", [*ENGLISH, "korean_lamp.yaml", "laternenschnur.yaml"])
def test_the_five_standing_commands_are_there(name: str) -> None:
    assert set(book(name).standing) == set(StandingKind.ALL)


def test_the_lantern_table_asks_for_the_four_measured_colours() -> None:
    lines = book("lantern_strings.yaml")
    assert set(lines.questions["colour"].answers) == set(COLOURS)
    assert set(lines.slot_values["colour"] or ()) == set(COLOURS)


def test_each_arm_of_the_lantern_table_has_a_manner_of_its_own() -> None:
    lines = book("lantern_strings.yaml")
    for arm, other in (("Alder", "Briar"), ("Briar", "Alder")):
        own = [
            line
            for _, line in every_line(lines)
            if "{arm}" not in slots_in(line.text)
            and any(condition.among == (arm,) for condition in line.when)
            and line.voice != other
        ]
        assert len(own) >= 20, arm


@pytest.mark.parametrize(("cell_name", "book_name"), CELLS.items())
def test_every_cell_file_loads_with_its_book(cell_name: str, book_name: str) -> None:
    cell = load_cell(shipped(cell_name))
    assert cell.phrasebook.title == book(book_name).title
    assert cell.voices


@pytest.mark.parametrize("cell_name", CELLS)
def test_every_cell_file_says_that_it_is_no_safety_function(cell_name: str) -> None:
    head = shipped(cell_name).read_text(encoding="utf-8").partition("format:")[0]
    told = " ".join(head.replace("#", " ").split())
    for part in ("NOT a safety function", "hard-wired", "licensed practice", "lockout/tagout",
                 "ISO 13850", "nothing spoken starts the machine again"):  # fmt: skip
        assert part.lower() in told.lower(), part
