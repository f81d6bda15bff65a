"""Phrasebook files to one checked phrasebook.

Reads the files, merges them and checks what no schema can say: that names exist, that
slots fit, that every line can come and every event can always be said, that no phrase
means two things. Everything that is wrong is reported at once, each with its place and
the nearest valid name. Nothing else builds a Phrasebook from a file.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from hashlib import blake2b
from pathlib import Path
from types import MappingProxyType

from tablevoice.errors import FileRefused
from tablevoice.marked_yaml import read_marked_yaml
from tablevoice.model import (
    Condition,
    Cooldown,
    EventLines,
    Line,
    Phrasebook,
    Priority,
    Question,
    QuietSpan,
    StandingCommand,
)
from tablevoice.phrasebook.conditions import conditions_of, voice_named
from tablevoice.phrasebook.crosschecks import cross_check
from tablevoice.phrasebook.findings import Findings
from tablevoice.phrasebook.merging import Draft, VoiceUse, merged
from tablevoice.phrasebook.pronouncing import heard_as, spoken_as
from tablevoice.phrasebook.schema import EventEntry, QuestionEntry, QuietEntry


@dataclass(frozen=True, slots=True)
class ReadBook:
    """A checked phrasebook, and where its voices are named (for the cell file's check).

    ``draft``: what the files say, everything with its place (for the desk).
    """

    book: Phrasebook
    voice_uses: tuple[VoiceUse, ...]
    draft: Draft


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
    return ReadBook(_book(draft), voice_uses, draft)


def line_key(event: str, voice: str | None, text: str, when: Iterable[Condition]) -> str:
    """A name for a line that outlives restarts and changes when what is said does."""
    conditions = sorted(
        json.dumps([c.slot, c.among, c.not_among, c.at_least, c.at_most]
                   + ([c.relation, c.other] if c.relation is not None else []))
        for c in when
    )
    whole = json.dumps([event, voice, text, conditions])
    return blake2b(whole.encode(), digest_size=8).hexdigest()


def _book(draft: Draft) -> Phrasebook:
    return Phrasebook(
        title=draft.title,
        language=draft.language,
        slot_values=MappingProxyType({
            name: None if found.entry is None else tuple(found.entry)
            for name, found in draft.slots.items()
        }),
        events=MappingProxyType(_events(draft)),
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
            word: phones for word, found in draft.pronounce.items()
            if (phones := heard_as(found.entry, draft.language))
        }),
        spoken=MappingProxyType({
            word: how for word, found in draft.pronounce.items()
            if (how := spoken_as(found.entry)) is not None
        }),
        kinds=MappingProxyType({
            name: Cooldown(**dict(found.entry)) for name, found in draft.kinds.items()
        }),
        characters=MappingProxyType({
            voice: MappingProxyType(dict(found.entry)) for voice, found in draft.characters.items()
        }),
        quiet_hours=tuple(_quiet(found.entry) for found in draft.quiet_hours),
    )


def _events(draft: Draft) -> dict[str, EventLines]:
    """The events, each line with its key, so that lines of a story can name one another."""
    events = {name: _event(name, found.entry, draft) for name, found in draft.events.items()}
    keys = {
        entry.name: line.key
        for name, found in draft.events.items()
        for entry, line in zip(found.entry.lines, events[name].lines, strict=True)
        if entry.name is not None
    }
    begun = {keys[entry.follows] for found in draft.events.values()
             for entry in found.entry.lines if entry.follows is not None}
    for name, found in draft.events.items():
        lines = [
            line if entry.follows is None and line.key not in begun else replace(
                line, follows=None if entry.follows is None else keys[entry.follows],
                within_s=math.inf if entry.follows is None else entry.within_s,
                begins=line.key in begun)
            for entry, line in zip(found.entry.lines, events[name].lines, strict=True)
        ]
        events[name] = replace(events[name], lines=tuple(lines))
    return events


def _quiet(entry: QuietEntry) -> QuietSpan:
    return QuietSpan(_minutes(entry.since), _minutes(entry.until),
                     frozenset(Priority[name.upper()] for name in entry.speak))


def _minutes(clock: str) -> int:
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def _event(name: str, entry: EventEntry, draft: Draft) -> EventLines:
    lines = []
    for line in entry.lines:
        voice, text = voice_named(entry, line), line.say.strip()
        when = conditions_of(entry, line, draft.read_moods, draft.counting)
        lines.append(Line(line_key(name, voice, text, when), name, text, voice, line.weight, when,
                          line.kind))
    return EventLines(
        name=name,
        about=entry.about.strip(),
        slots=tuple(entry.slots),
        priority=Priority[entry.priority.upper()],
        fresh_for_s=entry.fresh_for_s,
        interruptible=entry.interruptible,
        longest_s=entry.longest_s,
        asks=entry.asks,
        lines=tuple(lines),
    )


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
