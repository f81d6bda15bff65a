"""Messages as JSON lines: bytes to typed messages and back, one message a line.

Takes any bytes at all: each line gives either a message or one :class:`MessageRefused`,
and the next line is read as if nothing had happened. Opens no file and no socket; a
session feeds it what it read and writes what it gives.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import NoReturn

from pydantic import ValidationError

from tablevoice.errors import MessageRefused
from tablevoice.links.lines import LineReader
from tablevoice.links.messages import (
    INBOUND_TYPES,
    SCHEMA_VERSION,
    ErrorReported,
    EventReported,
    Inbound,
    Outbound,
)
from tablevoice.links.strict_json import SHOWN_CHARS, read_object, shown
from tablevoice.nearest import advice, nearest

_WHAT_WOULD_FIT = {
    "string_type": "Send a text, in quotes.",
    "string_too_short": "Send a text of 1 to 128 characters.",
    "string_too_long": "Send a text of 1 to 128 characters.",
    "dict_type": 'Send an object, such as {"lights": 4}.',
    "too_long": "Send at most 64 of them.",
}


# --- streams --------------------------------------------------------------------


class MessageReader:
    """A stream of bytes to messages and refusals, in order. Never raises on any bytes.

    ``events``: the events that the table knows, to refuse others with the nearest name;
    ``None`` leaves that to whoever takes the messages.
    """

    def __init__(self, events: Collection[str] | None = None) -> None:
        self._lines = LineReader()
        self._events = events

    def feed(self, data: bytes) -> list[Inbound | MessageRefused]:
        return [self._read(number, line) for number, line in self._lines.feed(data)]

    def close(self) -> list[Inbound | MessageRefused]:
        return [self._read(number, line) for number, line in self._lines.close()]

    def _read(self, number: int, line: bytes | MessageRefused) -> Inbound | MessageRefused:
        if isinstance(line, MessageRefused):
            return line
        try:
            return read_message(line, events=self._events, where=f"line {number}")
        except MessageRefused as refused:
            return refused


# --- messages in ----------------------------------------------------------------


def read_message(
    line: bytes, *, events: Collection[str] | None = None, where: str = "message"
) -> Inbound:
    """The message on one line, without or with its newline.

    Raises :class:`MessageRefused`, and nothing else, for every other line: its
    ``where`` begins with the given one and names the field or the column.
    """
    found = read_object(line, where)
    given_id = found.get("id")
    message_id = given_id if isinstance(given_id, str) and 1 <= len(given_id) <= 128 else None
    if message_id is not None:
        where = f"{where}, id {message_id!r}"

    def refuse(what: str, field: str, do: str) -> NoReturn:
        raise MessageRefused(what, where=f"{where}, {field}", do=do, message_id=message_id)

    version = found.get("v")
    if version is None or isinstance(version, bool) or version != SCHEMA_VERSION:
        what = "is missing" if "v" not in found else f"is {shown(version)}"
        refuse(f"the schema version {what}", "field 'v'", f'Send "v": {SCHEMA_VERSION}.')
    kind = found.get("type")
    if not isinstance(kind, str):
        what = "is missing" if "type" not in found else f"is {shown(kind)}, not a text"
        refuse(f"the message type {what}", "field 'type'", advice("", INBOUND_TYPES))
    if kind not in INBOUND_TYPES:
        refuse(f"no such message type: {shown(kind)}", "field 'type'", advice(kind, INBOUND_TYPES))
    try:
        message = INBOUND_TYPES[kind].model_validate(found)
    except ValidationError as invalid:
        refuse(*_finding(invalid, INBOUND_TYPES[kind]))
    if isinstance(message, EventReported) and events is not None and message.event not in events:
        what = f"no such event: {shown(message.event)}"
        refuse(what, "field 'event'", advice(message.event, events))
    return message


def _finding(invalid: ValidationError, message: type[Inbound]) -> tuple[str, str, str]:
    """What is wrong first, in which field, and what would be right."""
    errors = invalid.errors(include_url=False, include_context=False)
    first = errors[0]
    path = [str(part) for part in first["loc"]]
    if path[:1] == ["slots"] and len(path) > 1:
        field = f"slot {shown(path[1])}"
        if path[-1] == "[key]":
            return "the slot's name is empty or too long", field, "Use at most 128 characters."
        what = f"{shown(first['input'])} is not a slot's value"
        return what, field, "Send a text of at most 400 characters or a whole number."
    field = f"field {path[0]!r}" if len(path[0]) <= SHOWN_CHARS else f"field {shown(path[0])}"
    if first["type"] == "missing":
        return "the field is missing", field, f"Add it. {_description(message, path[0])}"
    if first["type"] == "extra_forbidden":
        close = nearest(path[0], message.model_fields)
        do = f"Did you mean {close!r}?" if close else "Leave it out."
        return f"a message of this type has no field {shown(path[0])}", field, do
    what = f"{shown(first['input'])} does not fit: {first['msg'][:1].lower()}{first['msg'][1:]}"
    return what, field, _WHAT_WOULD_FIT.get(first["type"]) or _description(message, path[0])


def _description(message: type[Inbound], field: str) -> str:
    return message.model_fields[field].description or "See the message schema."


# --- messages out ---------------------------------------------------------------


def encode(message: Outbound | Inbound) -> bytes:
    """One line of UTF-8 with its newline; strict JSON, so never NaN.

    Characters that some readers take for the end of a line are escaped.
    """
    fields = message.model_dump(mode="json")
    text = json.dumps(
        {"v": fields.pop("v"), "type": fields.pop("type"), **fields},
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    )
    for mark in ("\u0085", "\u2028", "\u2029"):
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return text.encode("utf-8") + b"\n"


def error_of(refused: MessageRefused, at_s: float) -> ErrorReported:
    """The answer to a refused message."""
    return ErrorReported.about(refused.problem, at_s, refused.message_id)
