"""Whether what a phrasebook says of taste makes sense: kinds, moods, stories, characters, hours.

Pure checks over a draft, each finding with its place. Reads the moods on the way, for the
conditions of lines. Called by the cross checks before they look at the events.
"""

from __future__ import annotations

from collections.abc import Iterator

from tablevoice.nearest import advice
from tablevoice.phrasebook.conditions import voice_named
from tablevoice.phrasebook.findings import Findings, shown
from tablevoice.phrasebook.merging import Draft, Found, VoiceUse
from tablevoice.phrasebook.moods import NotAMood, read_mood
from tablevoice.phrasebook.schema import EventEntry, LineEntry
from tablevoice.phrasebook.slots import voice_slot

ALWAYS_SPEAK = ("question", "warning")


def check_taste(draft: Draft, findings: Findings) -> Iterator[VoiceUse]:
    """Check everything but the lines; fills ``draft.read_moods``."""
    declared = {name: found.entry for name, found in draft.slots.items()}
    for name, mood in draft.moods.items():
        read = read_mood(mood.entry, declared)
        if not isinstance(read, NotAMood):
            draft.read_moods[name] = read
        elif not draft.set_aside("slots"):
            findings.add(read.what, mood.where(), read.do)
    for voice, character in draft.characters.items():
        if voice_slot(voice) is not None or not voice.strip():
            findings.add(f"{shown(voice)} is not a voice.", character.where(key=True),
                         "Write a voice's name.")
        else:
            yield VoiceUse(voice, character.where(key=True))
        for kind in character.entry:
            _check_kind(draft, kind, character.where(kind, key=True), findings)
    for quiet in draft.quiet_hours:
        for priority in ALWAYS_SPEAK:
            if priority not in quiet.entry.speak:
                findings.add(f"in these quiet hours a {priority} would have no line.",
                             quiet.where("speak"),
                             f"Add {priority!r}: questions and warnings are always said.")
        if quiet.entry.since == quiet.entry.until:
            findings.add("these quiet hours end when they begin.", quiet.where("until"),
                         "Give another time; for the whole day, two spans.")
    _check_stories(draft, findings)


def check_line_taste(draft: Draft, event: Found[EventEntry], index: int, line: LineEntry,
                     findings: Findings) -> bool:
    """Check what one line says of taste; False when its conditions cannot be relied on."""
    usable = True
    if line.kind is not None:
        _check_kind(draft, line.kind, event.where("lines", index, "kind"), findings)
    if line.mood is not None:
        usable &= _check_mood(draft, event, index, line.mood, findings)
    if line.only is not None:
        usable &= _check_only(draft, event, index, line, findings)
    if line.follows is None and "within_s" in line.model_fields_set:
        findings.add("'within_s' says how soon a line follows, and this one follows none.",
                     event.where("lines", index, "within_s"), "Add 'follows:', or take it out.")
    return usable


def _check_kind(draft: Draft, kind: str, where: str, findings: Findings) -> None:
    if kind not in draft.kinds and not draft.set_aside("kinds", kind):
        findings.add(f"there is no kind {kind!r} of lines.", where,
                     f"{advice(kind, draft.kinds)} Or declare it under 'kinds:'."
                     if draft.kinds else f"Declare it: kinds: {{{kind}: {{every_s: 240}}}}.")


def _check_mood(draft: Draft, event: Found[EventEntry], index: int, mood: str,
                findings: Findings) -> bool:
    where = event.where("lines", index, "mood")
    if mood not in draft.moods:
        if not draft.set_aside("moods", mood):
            findings.add(f"there is no mood {mood!r}.", where,
                         f"{advice(mood, draft.moods)} Or declare it under 'moods:'.")
        return False
    usable = mood in draft.read_moods
    for condition in draft.read_moods.get(mood, ()):
        for slot in filter(None, (condition.slot, condition.other)):
            if slot not in event.entry.slots:
                usable = False
                findings.add(f"the mood {mood!r} looks at the slot {slot!r}, which does not come "
                             f"with event {event.path[-1]!r}.", where, "Add it: slots: "
                             f"[{', '.join([*event.entry.slots, slot])}].")
    return usable


def _check_only(draft: Draft, event: Found[EventEntry], index: int, line: LineEntry,
                findings: Findings) -> bool:
    voice = voice_named(event.entry, line)
    slot = voice_slot(voice)
    if slot is None:
        who = f"{voice!r}" if voice is not None else "the table's first voice"
        findings.add(f"this line is always said by {who}, so 'only' changes nothing.",
                     event.where("lines", index, "only"),
                     "Take it out, or let a slot name the voice: voice: \"{arm}\".")
        return False
    known = draft.slots[slot].entry if slot in draft.slots else None
    usable = True
    for place, name in enumerate(line.only or ()):
        if known is not None and name not in known:
            usable = False
            findings.add(f"slot {slot!r}, which names the voice, is never {shown(name)}.",
                         event.where("lines", index, "only", place),
                         advice(name, [str(value) for value in known]))
    return usable


def _check_stories(draft: Draft, findings: Findings) -> None:
    """Names are given once, what is followed exists, and no story bites its own tail."""
    named: dict[str, tuple[str, str | None]] = {}
    lines = [(event, index, line) for event in draft.events.values()
             for index, line in enumerate(event.entry.lines)]
    for event, index, line in lines:
        if line.name is None:
            continue
        where = event.where("lines", index, "name")
        if line.name in named:
            findings.add(f"a line named {line.name!r} is there already.", where,
                         f"It is in {named[line.name][0]}: rename one.")
        else:
            named[line.name] = (where, line.follows)
    for event, index, line in lines:
        if line.follows is None:
            continue
        where = event.where("lines", index, "follows")
        if line.follows not in named:
            if not draft.set_aside("events"):
                findings.add(f"there is no line named {line.follows!r}.", where,
                             advice(line.follows, named) if named else
                             f"Give the line before it a name: name: {line.follows}.")
            continue
        seen: set[str] = {line.name} if line.name is not None else set()
        before: str | None = line.follows
        while before is not None and before in named:
            if before in seen:
                if before == line.name:  # said once, at a line of the ring
                    findings.add(f"the story of {before!r} comes back to itself, so it never "
                                 "begins.", where, "Let its first line follow none.")
                break
            seen.add(before)
            before = named[before][1]
