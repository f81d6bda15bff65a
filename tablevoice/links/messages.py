"""The messages between a table and its cell's controller, schema version 1.

Knows each message's fields and bounds and exports them as a JSON Schema; does not
know how messages travel. A link turns bytes into these and these into bytes; the
table takes inbound ones and gives outbound ones.

Every event that the controller reports is answered exactly once: by ``answer``
when it asks a question, by ``done`` when it does not, by ``error`` when it is refused.
"""

from __future__ import annotations

import re
from datetime import datetime, timezone
from typing import Annotated, Any, Literal, TypeAlias, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter
from pydantic_core import PydanticCustomError

from tablevoice.errors import Problem

SCHEMA_VERSION: Literal[1] = 1

WHOLE_NUMBER_LIMIT = 2**53 - 1
"""Whole numbers beyond this lose digits in JSON readers that keep numbers as binary64
(RFC 8259, section 6)."""

HOLD_CAUTION = (
    "This is a request, not a safety function: speech may be missed, late or wrong. "
    "The hard-wired emergency stop and guards must not depend on it."
)

Id: TypeAlias = Annotated[str, Field(min_length=1, max_length=128)]
Name: TypeAlias = Annotated[str, Field(min_length=1, max_length=128)]
SlotText: TypeAlias = Annotated[str, Field(max_length=400)]
SlotNumber: TypeAlias = Annotated[int, Field(ge=-WHOLE_NUMBER_LIMIT, le=WHOLE_NUMBER_LIMIT)]
Certainty: TypeAlias = Annotated[float, Field(ge=0.0, le=1.0)]
Seconds: TypeAlias = float
Outcome: TypeAlias = Literal["said", "cut", "expired", "dropped"]

_DATE_TIME = (
    "^([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt]([0-9]{2}:[0-9]{2}:[0-9]{2})(?:[.]([0-9]{1,9}))?"
    "([Zz]|[+-][0-9]{2}:[0-9]{2})$"
)
"""RFC 3339, section 5.6, but for the leap second, which Python's clock does not know."""


def moment(text: str) -> datetime:
    """An RFC 3339 date and time, in UTC. Raises ValueError."""
    found = re.fullmatch(_DATE_TIME, text)
    if found is None:
        raise ValueError(f"{text!r} is not a date and time with its offset")
    date, time, fraction, offset = found.groups()
    micros = ((fraction or "") + "000000")[:6]
    offset = "+00:00" if offset in "Zz" else offset
    return datetime.fromisoformat(f"{date}T{time}.{micros}{offset}").astimezone(timezone.utc)


def _a_moment(text: str) -> str:
    try:
        moment(text)
    except (ValueError, OverflowError) as error:
        raise PydanticCustomError("moment", "there is no such time") from error
    return text


Moment: TypeAlias = Annotated[
    str, Field(pattern=_DATE_TIME, json_schema_extra={"format": "date-time"}),
    AfterValidator(_a_moment),
]


class _Message(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
    v: Literal[1] = SCHEMA_VERSION


# --- from the controller --------------------------------------------------------


class EventReported(_Message):
    """Something happened at the cell. Answered once, by ``answer``, ``done`` or ``error``."""

    type: Literal["event"] = "event"
    id: Id = Field(description="Chosen by the controller, a new one for each event.")
    event: Name = Field(description="An event of the phrasebook.")
    slots: dict[Name, SlotText | SlotNumber] = Field(
        default_factory=dict, max_length=64, description="Values for the lines' slots."
    )
    sent_utc: Moment | None = Field(
        default=None,
        description="When it was sent, such as 2031-04-05T16:20:00.250Z (RFC 3339). An event "
        "older than its line is worth is refused; without this it counts as sent when it arrives.",
    )


class ButtonPressed(_Message):
    """A person pressed a button that stands for an answer of the open question."""

    type: Literal["button"] = "button"
    button: Name = Field(description="The answer that the button stands for.")
    id: Id | None = Field(default=None, description="Given back if the press is refused.")


class HoldClearedReported(_Message):
    """The controller released a hold, after its own physical reset input was operated.

    Sent by the controller only, and only then. It is the one way out of a hold:
    nothing spoken can produce it, and the table never sends it to itself.
    """

    type: Literal["hold_cleared"] = "hold_cleared"
    by: Name = Field(default="controller", description="The reset input, for the history.")
    id: Id | None = None


class Correct(_Message):
    """A verdict was wrong: what was said in truth. Answered by ``corrected`` or ``error``.

    Give ``said`` (a phrase of the phrasebook), or ``nothing`` when nobody spoke to the
    table; with neither the verdict is only counted as wrong.
    """

    type: Literal["correct"] = "correct"
    utterance: Id = Field(description="Of the message heard that was wrong.")
    said: SlotText | None = Field(default=None, description="The phrase that was said.")
    nothing: bool = Field(default=False, description="Nothing was said to the table.")
    id: Id | None = Field(default=None, description="Given back in the reply.")


class Ping(_Message):
    """Is the table there? Answered by ``pong`` with the same id."""

    type: Literal["ping"] = "ping"
    id: Id


class Close(_Message):
    """End the session. Open events are answered first, then ``closed`` comes."""

    type: Literal["close"] = "close"
    id: Id | None = None


Inbound: TypeAlias = EventReported | ButtonPressed | HoldClearedReported | Correct | Ping | Close


# --- to the controller ----------------------------------------------------------


class _FromTable(_Message):
    at_s: Seconds = Field(description="Seconds since the session began.")


class Ready(_FromTable):
    """The table takes events from now on."""

    type: Literal["ready"] = "ready"
    table: str
    version: str = Field(description="Version of the program.")
    events: tuple[str, ...] = Field(description="The events that this table knows.")


class Said(_FromTable):
    """What became of one line."""

    type: Literal["said"] = "said"
    id: str = Field(description="Of the event that the line was for.")
    event: str = Field(description="The event whose line it is, such as a request to repeat.")
    voice: str
    text: str
    said: Outcome
    start_s: Seconds | None = Field(default=None, description="Null when it never sounded.")
    end_s: Seconds | None = None
    note: str = Field(
        default="", description="Which rule of taste gave way so that there was a line."
    )


class AnswerGiven(_FromTable):
    """The question that event ``id`` put is over; ``value`` is null when nobody answered."""

    type: Literal["answer"] = "answer"
    id: str
    question: str
    value: str | None
    how: Literal["voice", "confirmed", "button", "withdrawn", "nobody"]
    certainty: Certainty
    tries: int = Field(ge=0, description="Attempts by voice, the successful one included.")


class Done(_FromTable):
    """Event ``id``, which asks nothing, is over; ``said`` tells what became of its line."""

    type: Literal["done"] = "done"
    id: str
    said: Outcome
    why: str = Field(
        default="", description="Why nothing was said: quiet hours, or a kind of lines that rests."
    )


class HeardReported(_FromTable):
    """A person was heard, and what was made of it. Not an answer: that is ``answer``."""

    type: Literal["heard"] = "heard"
    text: str
    meaning: str | None
    certainty: Certainty
    verdict: Literal["act", "confirm", "ask_again", "ignore"]
    start_s: Seconds
    end_s: Seconds
    utterance: str = Field(
        default="", description="Its number, for `tablevoice why` and the message correct."
    )
    probabilities: dict[str, Certainty] = Field(
        default_factory=dict, description="Of the likeliest phrases, allowed now or not."
    )
    reason: str = Field(default="", description="Why this verdict, in a sentence.")
    on_less_evidence: bool = Field(
        default=False, description="A pause or stop was acted on with less than an answer needs."
    )


class Corrected(_FromTable):
    """A correction was taken down. ``learns``: the next tuning can learn from its sound."""

    type: Literal["corrected"] = "corrected"
    utterance: str
    learns: bool
    why_not: str = Field(default="", description="Why nothing can be learnt from it.")
    id: str | None = None


class HoldRequest(_FromTable):
    """Somebody asked, by voice, for the cell to hold. A request, never a safety function."""

    type: Literal["hold_request"] = "hold_request"
    kind: Literal["pause", "stop"]
    phrase: str
    certainty: Certainty
    caution: str = HOLD_CAUTION


class GuardReported(_FromTable):
    """What the stop guard says has changed. ``armed``: the table asks and answers."""

    type: Literal["guard"] = "guard"
    state: str = Field(description="permitted, awaiting_reset, held, tripped, starting or silent.")
    permit: bool
    proven: bool
    armed: bool
    why: str = ""
    causes: tuple[str, ...] = ()


class ErrorReported(_FromTable):
    """A message was refused, or a part of the table failed: what, where, what to do next.

    ``id`` is that of the message it answers, null when there is none or it could not be read.
    """

    type: Literal["error"] = "error"
    what: str
    where: str = ""
    do: str = ""
    id: str | None = None

    @classmethod
    def about(
        cls, problem: Problem, at_s: float, message_id: str | None = None
    ) -> ErrorReported:
        """The message that tells of a problem."""
        return cls(
            at_s=at_s, what=problem.what, where=problem.where, do=problem.do, id=message_id
        )


class PhrasebookChanged(_FromTable):
    """A phrasebook was saved and is in use from now on."""

    type: Literal["phrasebook"] = "phrasebook"
    title: str
    events: tuple[str, ...] = Field(description="The events that this table knows now.")


class Pong(_FromTable):
    """The table is there."""

    type: Literal["pong"] = "pong"
    id: str


class Closed(_FromTable):
    """The session is over; nothing follows."""

    type: Literal["closed"] = "closed"
    why: str = "asked"


Outbound: TypeAlias = (
    Ready
    | Said
    | AnswerGiven
    | Done
    | HeardReported
    | Corrected
    | HoldRequest
    | GuardReported
    | ErrorReported
    | PhrasebookChanged
    | Pong
    | Closed
)

INBOUND_TYPES: dict[str, type[Inbound]] = {
    cls.model_fields["type"].default: cls for cls in get_args(Inbound)
}
OUTBOUND_TYPES: dict[str, type[Outbound]] = {
    cls.model_fields["type"].default: cls for cls in get_args(Outbound)
}


def json_schema() -> dict[str, Any]:
    """All messages as one JSON Schema (draft 2020-12).

    ``$defs/Inbound`` and ``$defs/Outbound`` are the two directions; the schema as a
    whole accepts either. ``v`` and ``type`` are required, as they are on the wire. Each
    message has an example.
    """
    from tablevoice.links.message_examples import EXAMPLES

    directions: dict[str, Any] = {"Inbound": Inbound, "Outbound": Outbound}
    _, schema = TypeAdapter.json_schemas(
        [(name, "validation", TypeAdapter(union)) for name, union in directions.items()]
    )
    definitions = schema["$defs"]
    for name, message in definitions.items():
        required = message.get("required", [])
        message["required"] = ["v", "type", *(n for n in required if n not in ("v", "type"))]
        message["title"] = name
    for example in EXAMPLES:
        shown = example.model_dump(mode="json", exclude_defaults=True)
        row = {"v": SCHEMA_VERSION, "type": example.type, **shown}
        definitions[type(example).__name__].setdefault("examples", []).append(row)
    for name, types in (("Inbound", INBOUND_TYPES), ("Outbound", OUTBOUND_TYPES)):
        definitions[name] = {"oneOf": [{"$ref": f"#/$defs/{t.__name__}"} for t in types.values()]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"tablevoice messages, version {SCHEMA_VERSION}",
        "oneOf": [{"$ref": "#/$defs/Inbound"}, {"$ref": "#/$defs/Outbound"}],
        "$defs": definitions,
    }
