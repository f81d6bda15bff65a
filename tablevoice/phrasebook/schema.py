"""The shape of a phrasebook file: its keys, their types and bounds, said once.

Two readers use it: the loader, which turns a checked file into the shared values, and
an editor, which completes and checks from the exported JSON Schema (draft 2020-12).
What no shape can say (names that must exist, slots that must fit) is the loader's.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictInt,
    StrictStr,
    StringConstraints,
)
from pydantic_core import PydanticCustomError

from tablevoice.phrasebook.plurals import Category

MAX_TEXT = 400
"""Characters of a line's text: some 25 seconds of speech, longer than anyone listens."""
MAX_PHRASE = 80
MAX_SLOT_TEXT = 80
MAX_WEIGHT = 1000.0
MAX_KNOWN = 1000
"""Known values of a slot: each may be prepared ahead, in every line and voice."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


Name: TypeAlias = Annotated[
    str,
    StringConstraints(pattern=r"^[^\W\d]\w*$", max_length=64),
    Field(description="A name: letters, digits and '_', a letter first."),
]
Text: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=MAX_TEXT)]
Phrase: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=MAX_PHRASE)]


def _value(found: object) -> object:
    if isinstance(found, bool) or not isinstance(found, (str, int)):
        raise PydanticCustomError("slot_value", "Write a text or a whole number.")
    return found


Value: TypeAlias = Annotated[
    StrictStr | StrictInt, BeforeValidator(_value, json_schema_input_type=str | int)]
Seconds: TypeAlias = Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)]


def _values(found: object) -> object:
    return found if isinstance(found, list) else [found]


Values: TypeAlias = Annotated[
    list[Value],
    Field(min_length=1),
    BeforeValidator(_values, json_schema_input_type=Value | Annotated[
        list[Value], Field(min_length=1)]),
]


Texts: TypeAlias = Annotated[
    list[Annotated[str, StringConstraints(min_length=1, max_length=MAX_SLOT_TEXT)]],
    Field(min_length=1),
    BeforeValidator(_values, json_schema_input_type=Text | Annotated[
        list[Text], Field(min_length=1)]),
]


def _code(found: object) -> object:
    if not isinstance(found, str) or re.fullmatch(CODE, found) is None:
        raise PydanticCustomError(
            "code", "Write the code of a finding of tablevoice check, such as D201.")
    return found


def _reason(found: object) -> object:
    if not isinstance(found, str) or not found.strip():
        raise PydanticCustomError(
            "reason", "Write why this is right as it is: nothing is accepted without a reason.")
    return found


CODE = r"^[A-Z][0-9]{3}$"
Acceptances: TypeAlias = dict[
    Annotated[str, StringConstraints(pattern=CODE), BeforeValidator(_code)],
    Annotated[str, StringConstraints(pattern=r"\S", max_length=MAX_TEXT), BeforeValidator(_reason)],
]
"""Findings of the desk (``tablevoice check``) that are right as they are: code and reason."""


Categories: TypeAlias = Annotated[
    list[Category],
    Field(min_length=1),
    BeforeValidator(_values, json_schema_input_type=Category | Annotated[
        list[Category], Field(min_length=1)]),
]


class ConditionEntry(_Entry):
    """A test on a slot's value; everything that is given must hold."""

    among: list[Value] | None = Field(
        None, min_length=1, description="The value is one of these.", examples=[[3, 4]])
    at_least: int | None = Field(None, description="The value is this number or more.")
    at_most: int | None = Field(None, description="The value is this number or less.")
    not_among: Values | None = Field(
        None, alias="not", description="The value is none of these.", examples=[0, [0, 1]])
    plural: Categories | None = Field(
        None, description="The number takes this plural in the phrasebook's language (CLDR).",
        examples=["one", ["few", "many"]])


def _condition(found: object) -> object:
    if isinstance(found, dict):
        return found
    return {"among": found if isinstance(found, list) else [found]}


Condition: TypeAlias = Annotated[
    ConditionEntry,
    BeforeValidator(_condition, json_schema_input_type=Value | Annotated[
        list[Value], Field(min_length=1)] | ConditionEntry),
]


WITHIN_S = 300.0
"""How long after its line another may follow, where the phrasebook says nothing else."""


class LineEntry(_Entry):
    """One thing that may be said."""

    say: Text = Field(
        description="The text; {slot} is filled in, {{ and }} are plain braces; _word_ is "
        "emphasised, | is a short pause, || a breath, |1.5s| a pause of that length.",
        examples=["Four lights. Call the colour that finishes it.", "{arm} draws."])
    when: dict[Name, Condition] = Field(
        default_factory=dict,
        description="Conditions on slots: the line is said only when all of them hold.",
        examples=[{"lights": 4}, {"lights": {"at_least": 2, "at_most": 4}}])
    weight: float = Field(
        1.0, ge=0, le=MAX_WEIGHT, allow_inf_nan=False,
        description="How early in a round the line tends to come; 0 rests it.", examples=[2])
    voice: str | None = Field(
        None, min_length=1, max_length=MAX_SLOT_TEXT,
        description="Who says it, when not the event's voice: a voice, or a {slot}.",
        examples=["Briar"])
    only: Texts | None = Field(
        None, description="Said by these voices only, where a slot names the voice.",
        examples=["Alder"])
    mood: Name | None = Field(
        None, description="Said only when this mood's conditions hold.", examples=["behind"])
    kind: Name | None = Field(
        None, description="Its kind: see 'kinds' and 'characters'.", examples=["teasing"])
    name: Name | None = Field(
        None, description="A name for 'follows' of another line.", examples=["heron_begins"])
    follows: Name | None = Field(
        None, description="It comes only after the line of this name, next in its event, and "
        "once a session at most.", examples=["heron_begins"])
    within_s: Seconds = Field(WITHIN_S, description="No later than so many seconds after it.")
    accept: Acceptances = Field(
        default_factory=dict,
        description="Findings of tablevoice check that are right as they are: code and reason.",
        examples=[{"D201": "Alder repeats himself on purpose."}])


def _line(found: object) -> object:
    return {"say": found} if isinstance(found, str) else found


LineItem: TypeAlias = Annotated[
    LineEntry, BeforeValidator(_line, json_schema_input_type=Text | LineEntry)]


class EventEntry(_Entry):
    """Something that the cell's controller may report, and what may be said then."""

    about: str = Field(
        "", max_length=MAX_TEXT, description="What happened, for whoever writes the lines.",
        examples=["The visitor is asked to call a colour."])
    slots: list[Name] = Field(
        default_factory=list, description="Slots whose values come with the event.",
        examples=[["lights"]])
    priority: Literal["banter", "move", "question", "warning"] = Field(
        "move", description="A higher one goes first: banter < move < question < warning.")
    fresh_for_s: Seconds = Field(
        8.0, description="Seconds after the event for which a line is still worth starting.")
    interruptible: bool = Field(
        True, description="Whether a line of higher priority may cut it short.")
    longest_s: Seconds | None = Field(
        None, description="The longest that a line of this event may last, in seconds.")
    asks: Name | None = Field(
        None, description="The question that a line of this event puts.", examples=["colour"])
    voice: str | None = Field(
        None, min_length=1, max_length=MAX_SLOT_TEXT,
        description="Who says it: a voice, or a {slot} that names one. "
        "Left out: the first voice of the cell.", examples=["Alder", "{arm}"])
    uses: float | None = Field(
        None, ge=0, le=10_000, allow_inf_nan=False,
        description="How often it is expected in a session; 0.2 is once in five sessions.",
        examples=[6, 0.2])
    accept: Acceptances = Field(
        default_factory=dict,
        description="Findings of tablevoice check, on the event or any of its lines, that are "
        "right as they are: code and reason.",
        examples=[{"E103": "It is said to another visitor each time."}])
    lines: list[LineItem] = Field(min_length=1, description="What may be said.")


def _answers(found: object) -> object:
    # A number is a fine answer to "how many?", and YAML reads its key as one.
    if not isinstance(found, dict):
        return found
    return {str(key) if type(key) is int else key: value for key, value in found.items()}


class QuestionEntry(_Entry):
    """What may be answered to a question, and what is said when that goes wrong."""

    answers: Annotated[
        dict[Phrase, Annotated[list[Phrase], Field(min_length=1)]], BeforeValidator(_answers)
    ] = Field(min_length=1, description="Each answer, and the phrases that mean it.",
              examples=[{"amber": ["amber", "amber please"]}])
    wait_s: Seconds = Field(6.0, description="Seconds to wait for an answer.")
    tries: int = Field(3, ge=1, le=20, description="Attempts by voice before the button.")
    button_wait_s: Seconds = Field(60.0, description="Seconds to wait for the button after that.")
    ask_again: Name | None = Field(None, description="Event said when not understood.")
    waited: Name | None = Field(None, description="Event said when nobody answered in time.")
    confirm: Name | None = Field(
        None, description="Event said when unsure; it also gets the slot 'answer'.")
    give_up: Name | None = Field(None, description="Event said when only the button is left.")
    yes: list[Phrase] | None = Field(
        None, min_length=1, description="Phrases that confirm; left out: 'yes'.")
    no: list[Phrase] | None = Field(
        None, min_length=1, description="Phrases that deny; left out: 'no'.")


class StandingEntry(_Entry):
    """A command that is understood at any time."""

    phrases: list[Phrase] = Field(
        min_length=1, description="What a person may say for it.", examples=[["pause", "hold on"]])
    says: Name | None = Field(None, description="Event said in reply.", examples=["paused"])


class KindEntry(_Entry):
    """A kind of lines, and how seldom one of them comes."""

    every_s: float = Field(
        0.0, ge=0, le=1_000_000, allow_inf_nan=False,
        description="At most one in so many seconds.", examples=[240])
    every_uses: int = Field(
        1, ge=1, le=100_000, description="At most one in so many lines of the table.")
    every_sessions: int = Field(1, ge=1, le=10_000, description="At most once in so many sessions.")


Clock: TypeAlias = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class QuietEntry(_Entry):
    """A part of the day in which only some lines are said."""

    since: Clock = Field(
        alias="from", description="When it begins, the computer's local time.", examples=["20:30"])
    until: Clock = Field(description="When it ends, that night or day.", examples=["07:00"])
    speak: list[Literal["banter", "move", "question", "warning"]] = Field(
        default=["question", "warning"], min_length=1,
        description="Priorities that are still said; question and warning always are.")


Liking: TypeAlias = Annotated[float, Field(ge=0, le=MAX_WEIGHT, allow_inf_nan=False)]
MoodText: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=MAX_TEXT)]
GuardNews: TypeAlias = Literal["tripped", "held", "awaiting_reset", "armed", "not_proven", "silent"]
StandingName: TypeAlias = Literal["pause", "stop", "repeat", "help", "never_mind"]
Pronunciation: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Pronunciations: TypeAlias = Annotated[
    list[Pronunciation],
    Field(min_length=1),
    BeforeValidator(_values, json_schema_input_type=Pronunciation | Annotated[
        list[Pronunciation], Field(min_length=1)]),
]


class PronounceEntry(_Entry):
    """How a word sounds, for the voices and for the recogniser."""

    ipa: str | None = Field(
        None, min_length=1, max_length=200, description="Its sounds in the International "
        "Phonetic Alphabet, with stress; the recogniser gets them too (English).",
        examples=["ˈzæfə"])
    say: str | None = Field(
        None, min_length=1, max_length=MAX_PHRASE, description="A respelling that voices say "
        "rightly, for engines that take no sounds.", examples=["zaffer"])
    phones: Pronunciations | None = Field(
        None, description="The recogniser's phones (ARPABET for English) where they are not "
        "those of ipa.", examples=["Z AE F ER"])


def _pronounce(found: object) -> object:
    return {"phones": found} if isinstance(found, (str, list)) else found


PronounceItem: TypeAlias = Annotated[
    PronounceEntry,
    BeforeValidator(_pronounce, json_schema_input_type=Pronunciation | Annotated[
        list[Pronunciation], Field(min_length=1)] | PronounceEntry),
]


def _known(found: object) -> object:
    # "any" becomes None before the types are looked at, so that a wrong list is reported as one.
    return None if found == "any" else found


KnownValues: TypeAlias = Annotated[
    Annotated[list[Value], Field(min_length=1, max_length=MAX_KNOWN)] | None,
    BeforeValidator(_known, json_schema_input_type=Literal["any"] | Annotated[
        list[Value], Field(min_length=1, max_length=MAX_KNOWN)]),
]


class PhrasebookFile(_Entry):
    """Everything that a table may say and ask."""

    format: Literal[1] = Field(description="The format's number: 1.")
    title: Text = Field(description="What the phrasebook is called.", examples=["Lantern strings"])
    language: Annotated[str, StringConstraints(
        pattern=r"^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$", max_length=35)] = Field(
        description="Language of the lines, a BCP 47 tag.", examples=["en", "en-GB", "ko"])
    pronounce: dict[Phrase, PronounceItem] = Field(
        default_factory=dict,
        description="Words that voices say wrongly or a recogniser's dictionary lacks; a text "
        "or a list is the recogniser's phones alone (ARPABET for English).",
        examples=[{"zaffre": {"ipa": "ˈzæfə", "say": "zaffer"}, "teal": "T IY L"}])
    slots: dict[Name, KnownValues] = Field(
        default_factory=dict,
        description="Slots and their known values, which can be prepared ahead; "
        "'any' takes any short text.",
        examples=[{"arm": ["Alder", "Briar"], "note": "any"}])
    events: dict[Name, EventEntry] = Field(
        default_factory=dict, description="What the cell's controller may report.")
    questions: dict[Name, QuestionEntry] = Field(
        default_factory=dict, description="What the table may ask.")
    standing: dict[StandingName, StandingEntry] = Field(
        default_factory=dict, description="Commands that are understood at any time.")
    stop_guard: dict[GuardNews, Name] = Field(
        default_factory=dict,
        description="Events said when the stop guard trips, holds, waits for its reset, is "
        "armed, has not been proven by a press, or is silent.",
        examples=[{"tripped": "stopped", "awaiting_reset": "reset_needed"}])
    kinds: dict[Name, KindEntry] = Field(
        default_factory=dict, description="Kinds of lines, and how seldom each comes.",
        examples=[{"teasing": {"every_s": 240}}])
    moods: dict[Name, MoodText] = Field(
        default_factory=dict,
        description="Names for what the slots say: comparisons joined by 'and', each a slot, "
        "then is, is not, <, <=, > or >=, then a value or another slot.",
        examples=[{"behind": "lights < best", "last_lantern": "lights is 4"}])
    characters: dict[Phrase, dict[Name, Liking]] = Field(
        default_factory=dict,
        description="How much a voice likes each kind of lines: 1 as others do, 0 never.",
        examples=[{"Alder": {"teasing": 0.3}, "Briar": {"teasing": 3}}])
    quiet_hours: list[QuietEntry] = Field(
        default_factory=list, max_length=20,
        description="Parts of the day in which only some lines are said.")
    accept: dict[Name, Acceptances] = Field(
        default_factory=dict,
        description="Findings of tablevoice check on the values of a slot that are right as they "
        "are: slot, code and reason.",
        examples=[{"part": {"P506": "Every voice here says LED well."}}])


def phrasebook_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a phrasebook file, for editors."""
    return exported(PhrasebookFile, "tablevoice phrasebook")


def exported(model: type[BaseModel], title: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a file's model, its names checked as pydantic does."""
    schema = model.model_json_schema(by_alias=True, mode="validation")
    _close(schema)
    return {"$schema": DIALECT, **schema, "title": title}


def _close(schema: object) -> None:
    """Refuse names that fit no pattern: pydantic's export lets them pass."""
    if isinstance(schema, list):
        for part in schema:
            _close(part)
    elif isinstance(schema, dict):
        if "patternProperties" in schema:
            schema.setdefault("additionalProperties", False)
        for part in schema.values():
            _close(part)
