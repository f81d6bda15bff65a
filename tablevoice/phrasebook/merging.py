"""Several phrasebook files as one draft whose every entry knows its place.

Checks each file's shape and that no name is defined twice. An entry of a wrong shape
is set aside, so that the rest can still be cross-checked and a person gets one list of
findings, not one finding a run. Called by the loader.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import ValidationError

from tablevoice.marked_yaml import KeyPath, MarkedYaml
from tablevoice.model import Condition
from tablevoice.nearest import nearest
from tablevoice.phrasebook.findings import MOST_SHOWN, Findings, validated
from tablevoice.phrasebook.plurals import Counting
from tablevoice.phrasebook.schema import (
    EventEntry,
    KindEntry,
    LineEntry,
    PhrasebookFile,
    PronounceEntry,
    QuestionEntry,
    QuietEntry,
    StandingEntry,
    Value,
)

Entry = TypeVar("Entry")

SECTIONS = ("pronounce", "slots", "events", "questions", "standing", "stop_guard", "kinds",
            "moods", "characters", "quiet_hours", "accept")
_ALONE = frozenset({
    "about", "priority", "fresh_for_s", "interruptible", "longest_s", "weight",
    "wait_s", "tries", "button_wait_s", "within_s",
    "uses",
})
"""Keys that no cross check looks at: a wrong one does not spoil its entry."""


@dataclass(frozen=True, slots=True)
class Found(Generic[Entry]):
    """An entry, the file it stands in and the path there."""

    entry: Entry
    file: MarkedYaml
    path: tuple[str | int, ...]

    def where(self, *more: str | int, key: bool = False) -> str:
        return self.file.where((*self.path, *more), key=key)


@dataclass(frozen=True, slots=True)
class VoiceUse:
    """A voice that a phrasebook names, and where."""

    voice: str
    where: str


@dataclass(slots=True)
class Draft:
    """What the files say together. ``aside``: (section, name) of entries of a wrong shape.

    ``read_moods`` are the moods that make sense, as the checks read them.
    """

    title: str = ""
    language: str = ""
    pronounce: dict[str, Found[PronounceEntry]] = field(default_factory=dict)
    slots: dict[str, Found[list[Value] | None]] = field(default_factory=dict)
    events: dict[str, Found[EventEntry]] = field(default_factory=dict)
    questions: dict[str, Found[QuestionEntry]] = field(default_factory=dict)
    standing: dict[str, Found[StandingEntry]] = field(default_factory=dict)
    stop_guard: dict[str, Found[str]] = field(default_factory=dict)
    kinds: dict[str, Found[KindEntry]] = field(default_factory=dict)
    moods: dict[str, Found[str]] = field(default_factory=dict)
    characters: dict[str, Found[dict[str, float]]] = field(default_factory=dict)
    quiet_hours: list[Found[QuietEntry]] = field(default_factory=list)
    read_moods: dict[str, tuple[Condition, ...]] = field(default_factory=dict)
    accept: dict[str, Found[dict[str, str]]] = field(default_factory=dict)
    aside: set[tuple[str, str]] = field(default_factory=set)

    @property
    def counting(self) -> Counting:
        """How these files count."""
        return Counting(
            self.language, {name: found.entry for name, found in self.slots.items()}
        )

    def set_aside(self, section: str, name: str | None = None) -> bool:
        """Whether ``name`` (any, for None) of a section exists but could not be read."""
        if name is None:
            return any(found == section for found, _ in self.aside)
        return (section, name) in self.aside or (section, "") in self.aside


def merged(files: Sequence[MarkedYaml], findings: Findings) -> Draft:
    """The files as one draft; adds what is wrong to ``findings``."""
    draft = Draft()
    for marked in files:
        read = _read(marked, findings, draft.aside)
        if read is None:
            continue
        if not draft.language:
            draft.title, draft.language = read.title, read.language
        elif read.language != draft.language:
            findings.add(f"the language is {read.language!r}, in the file before it "
                         f"{draft.language!r}.", marked.where(("language",)),
                         "Use one language a table.")
        _add("pronounce", draft.pronounce, read.pronounce, marked, findings)
        _add("slots", draft.slots, read.slots, marked, findings)
        _add("events", draft.events, read.events, marked, findings)
        _add("questions", draft.questions, read.questions, marked, findings)
        _add("standing", draft.standing, read.standing, marked, findings)
        _add("stop_guard", draft.stop_guard, read.stop_guard, marked, findings)
        _add("kinds", draft.kinds, read.kinds, marked, findings)
        _add("moods", draft.moods, read.moods, marked, findings)
        _add("characters", draft.characters, read.characters, marked, findings)
        _add("accept", draft.accept, read.accept, marked, findings)
        draft.quiet_hours += [
            Found(entry, marked, ("quiet_hours", index))
            for index, entry in enumerate(read.quiet_hours)
        ]
    if not draft.events and not findings and files:
        findings.add("there is no event, so nothing can be said.", files[0].where(),
                     "Add 'events:' with at least one event.")
    return draft


def _add(section: str, into: dict[str, Found[Entry]], entries: Mapping[Any, Entry],
         marked: MarkedYaml, findings: Findings) -> None:
    for name, entry in entries.items():
        path = (section, str(name))
        if name in into:
            findings.add(f"{name!r} in '{section}' is defined a second time.",
                         marked.where(path, key=True),
                         f"It is in {into[name].where(key=True)} already: rename or remove one.")
        else:
            into[str(name)] = Found(entry, marked, path)


def _read(marked: MarkedYaml, findings: Findings,
          aside: set[tuple[str, str]]) -> PhrasebookFile | None:
    """The file, less what has a wrong shape, which goes to ``findings`` and ``aside``."""
    whole = validated(PhrasebookFile, marked, findings)
    if whole is not None or not isinstance(marked.value, dict):
        return whole
    value: Any = marked.value
    for _ in range(4):  # keys alone, then whole entries, then what their absence brings up
        try:
            return PhrasebookFile.model_validate(value)
        except ValidationError as error:
            if error.error_count() > MOST_SHOWN:
                return None  # the list is full as it is
            for detail in error.errors(include_url=False, include_input=False):
                path = [part for part in detail["loc"] if part != "[key]"]
                value = _less(value, path, detail["type"], aside)
    return None


def _less(value: Any, path: KeyPath, kind: str, aside: set[tuple[str, str]]) -> Any:
    if len(path) <= 1 or path[0] == "quiet_hours":  # a list: what is left would change places
        path = path[:1]
        name = str(path[0]) if path else ""
        if name in SECTIONS:
            aside.add((name, ""))
        stand_in = {"format": 1, "title": "untitled", "language": "und"}.get(name)
        rest = {key: below for key, below in value.items() if str(key) != name}
        if kind == "extra_forbidden":
            close = nearest(name, SECTIONS)
            if close is not None:
                aside.add((close, ""))
        return rest if stand_in is None else {**rest, name: stand_in}
    leaf = str(path[-1])
    known = {*EventEntry.model_fields, *LineEntry.model_fields, *QuestionEntry.model_fields}
    meant = (nearest(leaf, known) or "about") if kind == "extra_forbidden" else leaf
    if meant in _ALONE and len(path) > 2 and kind != "missing" and _reaches(value, path):
        return _without(value, path)
    aside.add((str(path[0]), str(path[1])))
    return _without(value, path[:2])


def _reaches(value: Any, path: Iterable[str | int]) -> bool:
    for part in path:
        if isinstance(value, dict):
            matching = [below for key, below in value.items() if str(key) == str(part)]
            if not matching:
                return False
            value = matching[0]
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            value = value[part]
        else:
            return False
    return True


def _without(value: Any, path: KeyPath) -> Any:
    """A copy of ``value`` that lacks the key at the end of ``path``; the original stays."""
    head, rest = path[0], path[1:]
    if isinstance(value, dict):
        return {
            key: _without(below, rest) if rest and str(key) == str(head) else below
            for key, below in value.items() if rest or str(key) != str(head)
        }
    if isinstance(value, list) and rest:
        return [_without(below, rest) if index == head else below
                for index, below in enumerate(value)]
    return value
