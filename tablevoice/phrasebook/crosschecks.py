"""What no schema can say of a phrasebook: names exist, slots fit, a phrase means one thing.

Pure checks over a draft; each adds its findings with their places. Whether every line
can come and every event can always be said is in ``reach``. Called by the loader.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence

from tablevoice.markup import MarkupError
from tablevoice.model import SlotValue, StandingKind
from tablevoice.nearest import advice
from tablevoice.phrasebook.findings import Findings, shown
from tablevoice.phrasebook.merging import Draft, Found, VoiceUse
from tablevoice.phrasebook.plurals import categories_in
from tablevoice.phrasebook.pronouncing import check_pronunciations
from tablevoice.phrasebook.reach import check_reach
from tablevoice.phrasebook.schema import EventEntry, LineEntry, QuestionEntry
from tablevoice.phrasebook.slots import check_markup, nearest_value, slots_in, unsayable, voice_slot
from tablevoice.phrasebook.taste_checks import check_line_taste, check_taste
from tablevoice.wording import normalise

ANSWER_SLOT = "answer"
"""The slot that a question's ``confirm`` event gets beside those of the asking event."""


def cross_check(draft: Draft, findings: Findings) -> tuple[VoiceUse, ...]:
    """Add everything that is wrong with a draft; gives the places where voices are named."""
    check_pronunciations(draft, findings)
    _check_slot_values(draft, findings)
    voices: list[VoiceUse] = [*check_taste(draft, findings)]
    for name, event in draft.events.items():
        voices += _check_event(draft, name, event, findings)
    for name, question in draft.questions.items():
        _check_question(draft, name, question, findings)
    _check_standing(draft, findings)
    _check_stop_guard(draft, findings)
    return tuple(voices)


def _check_slot_values(draft: Draft, findings: Findings) -> None:
    for name, found in draft.slots.items():
        seen: set[SlotValue] = set()
        for index, value in enumerate(found.entry or ()):
            problem = unsayable(value)
            if problem:
                findings.add(f"{problem[0]} in slot {name!r}.", found.where(index), problem[1])
            if value in seen:
                findings.add(f"{shown(value)} stands twice in slot {name!r}.",
                             found.where(index), "Remove one.")
            seen.add(value)


def _check_event(draft: Draft, name: str, event: Found[EventEntry],
                 findings: Findings) -> Iterator[VoiceUse]:
    entry = event.entry
    for index, slot in enumerate(entry.slots):
        if slot not in draft.slots and not draft.set_aside("slots", slot):
            findings.add(f"event {name!r} has the slot {slot!r}, which is not declared.",
                         event.where("slots", index),
                         f"{advice(slot, draft.slots)} Or declare it under 'slots:'.")
        if slot in entry.slots[:index]:
            findings.add(f"slot {slot!r} stands twice in event {name!r}.",
                         event.where("slots", index), "Remove one.")
    if entry.asks is not None and entry.asks not in draft.questions \
            and not draft.set_aside("questions", entry.asks):
        findings.add(f"event {name!r} asks the question {entry.asks!r}, which does not exist.",
                     event.where("asks"), advice(entry.asks, draft.questions))
    if entry.voice is not None:
        yield from _check_voice(draft, event, entry.voice, ("voice",), findings)
    seen: dict[object, int] = {}
    usable = True
    for index, line in enumerate(entry.lines):
        usable &= _check_text(draft, event, index, line, findings)
        usable &= _check_conditions(draft, event, index, line, findings)
        usable &= check_line_taste(draft, event, index, line, findings)
        if line.voice is not None:
            yield from _check_voice(draft, event, line.voice, ("lines", index, "voice"), findings)
        same = (line.say.strip(), line.voice or entry.voice, repr(sorted(line.when.items())),
                line.mood, tuple(sorted(line.only or ())))
        if same in seen:
            findings.add(f"this line stands a second time in event {name!r}.",
                         event.where("lines", index),
                         f"It is in {event.where('lines', seen[same])} already: remove one.")
        seen.setdefault(same, index)
    if usable:
        check_reach(draft, name, event, findings)


def _check_text(draft: Draft, event: Found[EventEntry], index: int, line: LineEntry,
                findings: Findings) -> bool:
    where = event.where("lines", index, "say")
    text = line.say.strip()
    bad = next((mark for mark in text if unicodedata.category(mark) in ("Cc", "Zl", "Zp")), None)
    if bad is not None:
        findings.add("the text goes over several lines." if bad == "\n" else
                     f"the text holds the control character U+{ord(bad):04X}.", where,
                     "Write it on one line, or with '>-' in front to fold it.")
    try:
        used = slots_in(text)
    except ValueError as error:
        findings.add(f"{error} in {shown(text)}.", where,
                     "Write {slot} with a slot's name; {{ and }} are plain braces.")
        return False
    try:
        check_markup(text)
    except MarkupError as error:
        findings.add(f"{error.what} in {shown(text)}.",
                     event.file.within((*event.path, "lines", index, "say"), text, error.at),
                     error.do)
        return False
    if not normalise(text.translate({ord("{"): " ", ord("}"): " "})):
        findings.add(f"found {shown(line.say)}, which cannot be said.", where,
                     "Write words, or remove the line.")
    for slot in used:
        _check_slot_use(draft, event, slot, where, "the text", findings)
    return True


def _check_slot_use(draft: Draft, event: Found[EventEntry], slot: str, where: str, user: str,
                    findings: Findings) -> bool:
    if slot in event.entry.slots:
        return True
    if slot in draft.slots or draft.set_aside("slots", slot):
        findings.add(f"{user} uses the slot {slot!r}, which does not come with event "
                     f"{event.path[-1]!r}.", where, f"Add it: slots: "
                     f"[{', '.join([*event.entry.slots, slot])}].")
    else:
        known = event.entry.slots or draft.slots
        findings.add(f"{user} uses the slot {slot!r}, which is not declared.", where,
                     advice(slot, known) if known else "Declare it under 'slots:'.")
    return False


def _check_conditions(draft: Draft, event: Found[EventEntry], index: int, line: LineEntry,
                      findings: Findings) -> bool:
    usable = True
    for slot, test in line.when.items():
        where = event.where("lines", index, "when", slot)
        usable &= _check_slot_use(draft, event, slot,
                                  event.where("lines", index, "when", slot, key=True),
                                  "the condition", findings)
        if not test.model_fields_set:
            findings.add(f"the condition on {slot!r} tests nothing.", where,
                         "Give a value, a list of values, at_least, at_most, plural or not.")
        if test.plural is not None:
            usable &= _check_plural(draft, slot, test.plural, where, findings)
        known = draft.slots[slot].entry if slot in draft.slots else None
        if known is None:
            continue
        for value in [*(test.among or ()), *(test.not_among or ())]:
            if value not in known:
                usable = False
                findings.add(f"slot {slot!r} is never {shown(value)}.", where,
                             nearest_value(value, tuple(known)))
        bounded = test.at_least is not None or test.at_most is not None
        if bounded and not any(isinstance(value, int) for value in known):
            usable = False
            findings.add(f"slot {slot!r} has no numbers to compare.", where,
                         "Name values instead of at_least and at_most.")
    return usable


def _check_plural(draft: Draft, slot: str, categories: Sequence[str], where: str,
                  findings: Findings) -> bool:
    told_apart = categories_in(draft.language)
    if not told_apart:
        findings.add(f"which numbers are {categories[0]!r} in {draft.language!r} is not known.",
                     where, "Name values, at_least or at_most instead of a plural.")
        return False
    foreign = [category for category in categories if category not in told_apart]
    if foreign:
        findings.add(f"no whole number is {foreign[0]!r} in the language {draft.language!r}.",
                     where, f"It has: {', '.join(told_apart)}.")
        return False
    if slot in draft.slots and not any(
            isinstance(value, int) for value in draft.slots[slot].entry or ()):
        findings.add(f"slot {slot!r} has no known numbers to count.", where,
                     f"List its numbers under 'slots: {slot}:'.")
        return False
    return True


def _check_voice(draft: Draft, event: Found[EventEntry], voice: str, path: Sequence[str | int],
                 findings: Findings) -> Iterator[VoiceUse]:
    where = event.where(*path)
    slot = voice_slot(voice)
    if slot is None:
        if "{" in voice or "}" in voice or not voice.strip():
            findings.add(f"{shown(voice)} is not a voice.", where,
                         "Write a voice's name, or one slot in braces in quotes: \"{arm}\".")
        else:
            yield VoiceUse(voice, where)
        return
    if not _check_slot_use(draft, event, slot, where, "the voice", findings) \
            or slot not in draft.slots:
        return
    values = draft.slots[slot].entry
    if values is None:
        findings.add(f"the voice is taken from the slot {slot!r}, which has no known values.",
                     where, f"List the voices under 'slots: {slot}:'.")
        return
    for index, value in enumerate(values):
        yield VoiceUse(str(value), draft.slots[slot].where(index))


def _check_question(draft: Draft, name: str, question: Found[QuestionEntry],
                    findings: Findings) -> None:
    entry = question.entry
    meaning: dict[str, str] = {}
    for answer, phrases in entry.answers.items():
        for index, phrase in enumerate(phrases):
            where = question.where("answers", answer, index)
            sound = _check_phrase(phrase, where, findings)
            if sound in meaning:
                other = meaning[sound]
                what = f"twice in answer {answer!r}" if other == answer else \
                    f"for {answer!r} and for {other!r}"
                findings.add(f"the phrase {shown(phrase)} stands {what}.", where,
                             "Keep it once: a phrase means one thing.")
            meaning.setdefault(sound, answer)
            _check_not_standing(draft, sound, phrase, where, findings)
    affirmed = {normalise(phrase) for phrase in entry.yes or ["yes"]}
    denied = set() if entry.no else {"no"}
    for key, replies, opposite in (("yes", entry.yes, denied), ("no", entry.no, affirmed)):
        for index, phrase in enumerate(replies or ()):
            where = question.where(key, index)
            sound = _check_phrase(phrase, where, findings)
            _check_not_standing(draft, sound, phrase, where, findings)
            if sound in opposite:
                findings.add(f"the phrase {shown(phrase)} stands for yes and for no.", where,
                             "Keep it once: a phrase means one thing.")
    if entry.confirm is not None and draft.language.split("-")[0] not in ("en", "und") \
            and (entry.yes is None or entry.no is None):
        findings.add(f"question {name!r} confirms, and its yes and no are the English ones.",
                     question.where("confirm"), "Add 'yes: [...]' and 'no: [...]'.")
    _check_follow_ups(draft, name, question, findings)


def _check_follow_ups(draft: Draft, name: str, question: Found[QuestionEntry],
                      findings: Findings) -> None:
    """Events that a question names exist, and get every slot they need."""
    asking = [event.entry for event in draft.events.values() if event.entry.asks == name]
    complete = bool(asking) and not draft.set_aside("events")
    supplied = set.intersection(*[set(event.slots) for event in asking]) if asking else set()
    for role in ("ask_again", "waited", "confirm", "give_up"):
        event_name = getattr(question.entry, role)
        if event_name is None:
            continue
        where = question.where(role)
        event = _existing(draft, event_name, where, findings)
        if event is None:
            continue
        gets = supplied | ({ANSWER_SLOT} if role == "confirm" else set())
        for slot in event.entry.slots:
            if complete and slot not in gets:
                findings.add(f"event {event_name!r} needs the slot {slot!r}, which "
                             f"{role!r} of question {name!r} cannot give.", where,
                             f"It gives: {', '.join(sorted(gets)) or 'none'}. Take the slot out "
                             "of the event, or add it to every event that asks this question.")
    confirm = draft.events.get(question.entry.confirm or "")
    values = draft.slots[ANSWER_SLOT].entry if ANSWER_SLOT in draft.slots else None
    if confirm is not None and ANSWER_SLOT in confirm.entry.slots and values is not None:
        for answer in question.entry.answers:
            if answer not in values:
                findings.add(f"the slot {ANSWER_SLOT!r} is never {shown(answer)}, an answer of "
                             f"question {name!r}.",
                             question.where("answers", answer, key=True),
                             f"Add it to the slot's values. {nearest_value(answer, tuple(values))}")


def _check_standing(draft: Draft, findings: Findings) -> None:
    meaning: dict[str, str] = {}
    for kind in (kind for kind in StandingKind.ALL if kind in draft.standing):
        found = draft.standing[kind]
        for index, phrase in enumerate(found.entry.phrases):
            where = found.where("phrases", index)
            sound = _check_phrase(phrase, where, findings)
            if sound in meaning:
                findings.add(f"the phrase {shown(phrase)} stands for {meaning[sound]!r} already.",
                             where, "Keep it once: a phrase means one thing.")
            meaning.setdefault(sound, kind)
        if found.entry.says is not None:
            event = _existing(draft, found.entry.says, found.where("says"), findings)
            if event is not None and event.entry.slots:
                findings.add(f"event {found.entry.says!r} needs the slot "
                             f"{event.entry.slots[0]!r}; the command {kind!r} has no slots to "
                             "give.", found.where("says"), "Name an event without slots.")


def _check_stop_guard(draft: Draft, findings: Findings) -> None:
    for news, found in draft.stop_guard.items():
        event = _existing(draft, found.entry, found.where(), findings)
        if event is not None and event.entry.slots:
            findings.add(f"event {found.entry!r} needs the slot {event.entry.slots[0]!r}; the "
                         f"stop guard's {news!r} has none to give.", found.where(),
                         "Name an event without slots.")
        elif event is not None and event.entry.asks is not None:
            findings.add(f"event {found.entry!r} asks a question, while nothing may be asked.",
                         found.where(), "Name an event that asks nothing.")


def _existing(draft: Draft, name: str, where: str, findings: Findings) -> Found[EventEntry] | None:
    event = draft.events.get(name)
    if event is None and not draft.set_aside("events", name):
        findings.add(f"there is no event {name!r}.", where, advice(name, draft.events))
    return event


def _check_phrase(phrase: str, where: str, findings: Findings) -> str:
    sound = normalise(phrase)
    if not sound:
        findings.add(f"{shown(phrase)} is nothing that can be heard.", where, "Write words.")
    elif any(unicodedata.category(mark) in ("Cc", "Zl", "Zp") for mark in phrase.strip()):
        findings.add(f"the phrase {shown(phrase)} goes over several lines.", where,
                     "Write it on one line.")
    return sound


def _check_not_standing(draft: Draft, sound: str, phrase: str, where: str,
                        findings: Findings) -> None:
    kind = next((kind for kind, found in draft.standing.items()
                 if any(normalise(own) == sound for own in found.entry.phrases)), None)
    if kind is not None and sound:
        findings.add(f"the phrase {shown(phrase)} is the standing command {kind!r}.", where,
                     "Use another phrase: a phrase means one thing.")
