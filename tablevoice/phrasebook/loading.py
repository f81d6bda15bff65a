"""Phrasebook files to one checked phrasebook.

Reads the files, merges them and checks what no schema can say: that names exist, that
slots fit, that every line can come and every event can always be said, that no phrase
means two things. Everything that is wrong is reported at once, each with its place and
the nearest valid name. Nothing else builds a Phrasebook from a file.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from types import MappingProxyType

from tablevoice.errors import FileRefused
from tablevoice.marked_yaml import read_marked_yaml
from tablevoice.model import (
    Condition,
    EventLines,
    Line,
    Phrasebook,
    Priority,
    Question,
    StandingCommand,
)
from tablevoice.phrasebook.crosschecks import cross_check
from tablevoice.phrasebook.findings import Findings
from tablevoice.phrasebook.merging import Draft, VoiceUse, merged
from tablevoice.phrasebook.schema import ConditionEntry, EventEntry, LineEntry, QuestionEntry


@dataclass(frozen=True, slots=True)
class ReadBook:
    """A checked phrasebook, and where its voices are named (for the cell file's check)."""

    book: Phrasebook
    voice_uses: tuple[VoiceUse, ...]


def load_phrasebook(paths: Iterable[Path | str] | Path | str) -> Phrasebook:
    """Read one or several phrasebook files as one.

    Raises FileRefused, whose ``problems`` list every finding.
    """
    return read_phrasebook(paths).book


def read_phrasebook(paths: Iterable[Path | str] | Path | str) -> ReadBook:
    """As :func:`load_phrasebook`, with the places where voices are named."""
    files = [paths] if isinstance(paths, (str, Path)) else list(paths)
    findings = Findings()
    marked = []
    for file in files:
        try:
            marked.append(read_marked_yaml(Path(file)))
        except FileRefused as refused:
            findings.extend(refused.problems)
    if not files:
        findings.add("no phrasebook is named.", "", "Name at least one file.")
    findings.raise_if_any()
    draft = merged(marked, findings)
    voice_uses = cross_check(draft, findings)
    findings.raise_if_any()
    return ReadBook(_book(draft), voice_uses)


def line_key(event: str, voice: str | None, text: str, when: Iterable[Condition]) -> str:
    """A name for a line that outlives restarts and changes when what is said does."""
    conditions = sorted(
        json.dumps([c.slot, c.among, c.not_among, c.at_least, c.at_most]) for c in when
    )
    whole = json.dumps([event, voice, text, conditions])
    return blake2b(whole.encode(), digest_size=8).hexdigest()


def conditions_of(entry: LineEntry) -> tuple[Condition, ...]:
    return tuple(_condition(slot, test) for slot, test in entry.when.items())


def _condition(slot: str, test: ConditionEntry) -> Condition:
    return Condition(
        slot=slot,
        among=None if test.among is None else tuple(test.among),
        not_among=tuple(test.not_among or ()),
        at_least=test.at_least,
        at_most=test.at_most,
    )


def _book(draft: Draft) -> Phrasebook:
    return Phrasebook(
        title=draft.title,
        language=draft.language,
        slot_values=MappingProxyType({
            name: None if found.entry is None else tuple(found.entry)
            for name, found in draft.slots.items()
        }),
        events=MappingProxyType({
            name: _event(name, found.entry) for name, found in draft.events.items()
        }),
        questions=MappingProxyType({
            name: _question(name, found.entry) for name, found in draft.questions.items()
        }),
        standing=MappingProxyType({
            kind: StandingCommand(kind, _stripped(found.entry.phrases), found.entry.says)
            for kind, found in draft.standing.items()
        }),
        stop_guard=MappingProxyType({
            news: found.entry for news, found in draft.stop_guard.items()
        }),
        pronunciations=MappingProxyType({
            word: tuple(found.entry) for word, found in draft.pronounce.items()
        }),
    )


def _event(name: str, entry: EventEntry) -> EventLines:
    return EventLines(
        name=name,
        about=entry.about.strip(),
        slots=tuple(entry.slots),
        priority=Priority[entry.priority.upper()],
        fresh_for_s=entry.fresh_for_s,
        interruptible=entry.interruptible,
        longest_s=entry.longest_s,
        asks=entry.asks,
        lines=tuple(_line(name, entry, line) for line in entry.lines),
    )


def _line(event: str, entry: EventEntry, line: LineEntry) -> Line:
    voice = line.voice if line.voice is not None else entry.voice
    text, when = line.say.strip(), conditions_of(line)
    return Line(line_key(event, voice, text, when), event, text, voice, line.weight, when)


def _question(name: str, entry: QuestionEntry) -> Question:
    defaults = Question(name, {})
    return Question(
        name=name,
        answers=MappingProxyType({
            answer: _stripped(phrases) for answer, phrases in entry.answers.items()
        }),
        wait_s=entry.wait_s,
        tries=entry.tries,
        button_wait_s=entry.button_wait_s,
        ask_again=entry.ask_again,
        waited=entry.waited,
        confirm=entry.confirm,
        give_up=entry.give_up,
        yes=defaults.yes if entry.yes is None else _stripped(entry.yes),
        no=defaults.no if entry.no is None else _stripped(entry.no),
    )


def _stripped(phrases: Iterable[str]) -> tuple[str, ...]:
    return tuple(phrase.strip() for phrase in phrases)
