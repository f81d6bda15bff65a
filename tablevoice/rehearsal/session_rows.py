"""The rows of a session file: what the controller reports, what people say, who operates what.

Knows the fields of each kind of row and reads a file of them (JSON lines), each refused row
with its place. Does not know a table. The player asks for the rows; a ``session.jsonl`` that
a session wrote can be read as well, what the table said in it being passed over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias, cast

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from tablevoice.errors import FileRefused, MessageRefused, Problem
from tablevoice.links import messages
from tablevoice.links.strict_json import read_object
from tablevoice.nearest import advice

MOST_ROWS = 100_000
MOST_BYTES = 16 * 1024 * 1024

ANSWER = "{answer}"
"""Stands in a slot for the last answer."""

Moment: TypeAlias = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
Decibel: TypeAlias = Annotated[float, Field(ge=-80, le=40, allow_inf_nan=False)]
Names: TypeAlias = str | list[str]


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class PersonVoice(_Row):
    """An engine's voice for what a person says, as in a cell file."""

    voice: str = "en-us"
    engine: Literal["espeak", "system"] = "espeak"
    rate_wpm: int = Field(150, ge=80, le=450)
    pitch: int = Field(50, ge=0, le=100)


class SessionRow(_Row):
    """How the session is set up; at most one, and first."""

    type: Literal["session"] = "session"
    format: Literal[1] = 1
    title: str = ""
    starts: str = Field(
        "12:00",
        pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$",
        description="The local time at which it begins.",
    )
    seed: int = 1
    noise: str | None = Field(
        default=None, description="'shop', or a recording of a room; none: silence."
    )
    noise_dbfs: Decibel = -40.0
    person_dbfs: Decibel = -26.0
    people: dict[str, PersonVoice] = Field(default_factory=dict)
    reset_after_s: Moment = Field(
        4.5, description="So long after a hold its reset is operated at the machine."
    )
    resumed: str | None = Field(
        default=None, description="Event that is reported after such a reset."
    )
    longest_s: Annotated[float, Field(gt=0, le=100_000)] = 3600.0


class EventRow(_Row):
    """An event, at a time or so long after the row before it was over.

    A slot value ``{answer}`` stands for the last answer; without one the row does not count.
    ``if_answer``, ``unless_answer``: the
    row counts only if the last answer is, or is not, one of these (``null`` for nobody's).
    """

    type: Literal["event"] = "event"
    event: str
    slots: dict[str, str | int] = Field(default_factory=dict)
    at_s: Moment | None = None
    after_s: Moment | None = None
    if_answer: str | list[str | None] | None = Field(default_factory=list)
    unless_answer: str | list[str | None] | None = Field(default_factory=list)


class MessageRow(_Row):
    """Another message of the controller, at a time."""

    message: messages.Inbound
    at_s: Moment


class PersonRow(_Row):
    """Somebody speaks: at a time, or after a line of the event ``after`` was said to its end.

    Exactly one of ``says`` (words, through an engine), ``plays`` (a sound file), ``types``
    (words that are heard as if perfectly, without sound), ``repeats`` (what this person said
    last, in the same way), ``confirms`` (the first where the line names what they said last,
    else the second).
    ``nth``: only after that line of the event, counted from 1.
    """

    type: Literal["person"] = "person"
    who: str = "visitor"
    says: str | None = None
    plays: str | None = None
    types: str | None = None
    repeats: Literal[True] | None = None
    confirms: tuple[str, str] | list[str] | None = Field(default=None, min_length=2, max_length=2)
    at_s: Moment | None = None
    after: str | None = None
    nth: int | None = Field(default=None, ge=1)
    after_s: Moment = 0.6
    gain_db: Decibel = 0.0


class StopRow(_Row):
    """Somebody presses the stop: at a time, or in the middle of a line of the event ``during``."""

    type: Literal["stop_pressed"] = "stop_pressed"
    at_s: Moment | None = None
    during: str | None = None
    after_s: Moment = 0.0
    not_before_s: Moment = 0.0


class ResetRow(_Row):
    """Somebody lets go of the stop and operates the reset, at a time."""

    type: Literal["reset_pressed"] = "reset_pressed"
    at_s: Moment


Row: TypeAlias = EventRow | MessageRow | PersonRow | StopRow | ResetRow
_KINDS: Mapping[str, type[BaseModel]] = {
    "session": SessionRow, "event": EventRow, "person": PersonRow, "stop_pressed": StopRow,
    "reset_pressed": ResetRow,
}  # fmt: skip
_OTHER_MESSAGES = tuple(kind for kind in messages.INBOUND_TYPES if kind != "event")
_RECORDED = frozenset({"talking_half_killed"})
"""Rows of a record that a rehearsal has no use for."""


@dataclass(frozen=True, slots=True)
class SessionFile:
    """A session ready to be played; ``folder`` is what sound files are seen from."""

    path: Path
    session: SessionRow
    rows: tuple[Row, ...]
    places: tuple[str, ...]

    @property
    def folder(self) -> Path:
        return self.path.parent

    def spoken(self) -> bool:
        """Whether anybody is to be heard through the room and the microphone."""
        return any(isinstance(row, PersonRow) and (row.says or row.plays) for row in self.rows)

    def people(self) -> tuple[str, ...]:
        """Everybody who says something, in the order of the file."""
        return tuple(dict.fromkeys(row.who for row in self.rows if isinstance(row, PersonRow)))


def read_session_file(path: Path) -> SessionFile:
    """Read a session file. Raises FileRefused with every row that is wrong."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileRefused(
            [
                Problem(
                    f"The session cannot be read: {error.strerror}.",
                    str(path),
                    "Name a session file, such as a session.jsonl.",
                )
            ]
        ) from error
    if len(data) > MOST_BYTES:
        raise FileRefused(
            [
                Problem(
                    "The session file is larger than 16 MB.",
                    str(path),
                    "Split it into several sessions.",
                )
            ]
        )
    problems: list[Problem] = []
    rows: list[Row] = []
    places: list[str] = []
    session: SessionRow | None = None
    for number, line in enumerate(data.split(b"\n"), 1):
        where = f"{path}:{number}"
        if not line.strip() or len(problems) >= 100:
            continue
        try:
            row = _read(line, where)
        except MessageRefused as refused:
            problems.append(refused.problem)
            continue
        if isinstance(row, SessionRow):
            if session is not None or rows:
                problems.append(
                    Problem(
                        "a row 'session' comes late.",
                        where,
                        "Let it be the first row, and the only one.",
                    )
                )
            session = row
        elif row is not None:
            rows.append(row)
            places.append(where)
    if len(rows) > MOST_ROWS:
        problems.append(
            Problem(
                f"there are more than {MOST_ROWS:,} rows.",
                str(path),
                "Split it into several sessions.",
            )
        )
    if not rows and not problems:
        problems.append(
            Problem(
                "nothing happens in this session.",
                str(path),
                'Add a row such as {"type": "event", "event": "greeting"}.',
            )
        )
    if problems:
        raise FileRefused(problems)
    return SessionFile(path, session or SessionRow.model_validate({}), tuple(rows), tuple(places))


def _read(line: bytes, where: str) -> Row | SessionRow | None:
    found = read_object(line.rstrip(b"\r"), where)
    source = found.pop("from", None)
    kind = found.get("type")
    if source == "table" or kind in _RECORDED:
        return None
    if kind == "person_said":  # as a simulated session wrote it down
        found = {"type": "person", "who": found.get("who"), "says": found.get("text"),
                 "at_s": found.get("at_s")}  # fmt: skip
        kind = "person"
    elif kind == "event":
        # Played again, an event happens when its row says, not on the day it was sent.
        found = {name: value for name, value in found.items()
                 if name not in ("v", "id", "sent_utc")}  # fmt: skip
    elif kind in ("stop_pressed", "reset_pressed"):
        found.pop("reaction_ms", None)
    elif kind in _OTHER_MESSAGES:
        return _other(found, str(kind), where)
    known = _KINDS.get(kind) if isinstance(kind, str) else None
    if known is None:
        raise MessageRefused(
            f"a row of the type {str(kind)[:60]!r}.",
            where=where,
            do=advice(str(kind)[:60], [*_KINDS, *_OTHER_MESSAGES], at_most=12),
        )
    row = _validated(TypeAdapter(known), found, where, list(known.model_fields))
    _check_times(row, where)
    return cast("Row | SessionRow", row)


def _other(found: dict[str, Any], kind: str, where: str) -> MessageRow:
    at_s = found.pop("at_s", None)
    model = messages.INBOUND_TYPES[kind]
    message: Any = _validated(TypeAdapter(model), found, where, [*model.model_fields, "at_s"])
    fields = {"message": message, "at_s": at_s}
    row: MessageRow = _validated(TypeAdapter(MessageRow), fields, where, ["at_s"])
    return row


def _validated(adapter: TypeAdapter[Any], found: object, where: str, known: Sequence[str]) -> Any:
    try:
        return adapter.validate_python(found)
    except ValidationError as error:
        details = error.errors(include_url=False)
        # A misspelt field is at once one too many and one missing: tell of the slip.
        extra = [detail for detail in details if detail["type"] == "extra_forbidden"]
        detail = [*extra, *details][0]
        name = ".".join(str(part) for part in detail["loc"]) or "the row"
        if detail["type"] == "extra_forbidden":
            raise MessageRefused(
                f"unknown field {name!r}.", where=where, do=advice(name, known, at_most=20)
            ) from error
        if detail["type"] == "missing":
            raise MessageRefused(
                f"the field {name!r} is missing.", where=where, do=f"Add {name!r}."
            ) from error
        raise MessageRefused(
            f"field {name!r}: {detail['msg'][:1].lower()}{detail['msg'][1:]}.",
            where=where,
            do="Put it right.",
        ) from error


def _check_times(row: object, where: str) -> None:
    """Refuse a row whose fields contradict one another."""
    match row:
        case EventRow(at_s=float() | int(), after_s=float() | int()):
            raise MessageRefused(
                "both at_s and after_s are given.",
                where=where,
                do="Give the time, or how long after the row before.",
            )
        case PersonRow():
            words = [
                name
                for name in ("says", "plays", "types", "repeats", "confirms")
                if getattr(row, name) is not None
            ]
            if len(words) != 1:
                raise MessageRefused(
                    f"a person who {' and '.join(words) or 'does nothing'}.",
                    where=where,
                    do="Give one of says, plays, types, repeats and confirms.",
                )
            if (row.at_s is None) == (row.after is None):
                raise MessageRefused(
                    "when is this said?",
                    where=where,
                    do="Give at_s, or the event of a line in after.",
                )
        case StopRow() if (row.at_s is None) == (row.during is None):
            raise MessageRefused(
                "when is the stop pressed?",
                where=where,
                do="Give at_s, or the event of a line in during.",
            )
