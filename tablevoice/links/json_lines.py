"""Messages as JSON lines: bytes to typed messages and back, one message a line.

Takes any bytes at all: each line gives either a message or one :class:`MessageRefused`,
and the next line is read as if nothing had happened. Opens no file and no socket; a
session feeds it what it read and writes what it gives.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Collection, Iterator
from typing import Any, NoReturn

from pydantic import ValidationError

from tablevoice.errors import MessageRefused
from tablevoice.links.messages import (
    INBOUND_TYPES,
    SCHEMA_VERSION,
    WHOLE_NUMBER_LIMIT,
    ErrorReported,
    EventReported,
    Inbound,
    Outbound,
)
from tablevoice.nearest import advice, nearest

LONGEST_LINE_BYTES = 64 * 1024
"""Above any message of the schema, below what could hurt a small computer."""

DEEPEST_NESTING = 8
"""The schema needs two levels; a few more let the error name the wrong field instead."""

SHOWN_CHARS = 60
"""How much of a wrong value an error quotes."""

_BOM = b"\xef\xbb\xbf"
# A string counts as one token even when it is never closed, so that no text makes the
# search go back over it.
_STRING_OR_BRACKET = re.compile(r'"(?:[^"\\]|\\.)*"?|[\[\]{}]', re.DOTALL)

_UNSPEAKABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")
_WHAT_WOULD_FIT = {
    "string_type": "Send a text, in quotes.",
    "string_too_short": "Send a text of 1 to 128 characters.",
    "string_too_long": "Send a text of 1 to 128 characters.",
    "dict_type": 'Send an object, such as {"lights": 4}.',
    "too_long": "Send at most 64 of them.",
}


# --- lines ----------------------------------------------------------------------


class LineReader:
    """Cuts a stream of bytes into lines, never storing more than one line's limit.

    A line longer than ``longest_bytes`` gives one refusal and is skipped up to its
    newline. ``\\r\\n`` ends a line as well as ``\\n``; blank lines are passed over.
    """

    def __init__(self, longest_bytes: int = LONGEST_LINE_BYTES) -> None:
        self._longest = longest_bytes
        self._held = bytearray()
        self._skipping = False
        self.line_number = 1
        """Number of the line that is being read, from 1."""

    def feed(self, data: bytes) -> list[tuple[int, bytes | MessageRefused]]:
        """The lines that ``data`` completes, each with its number and without its newline."""
        lines: list[tuple[int, bytes | MessageRefused]] = []
        begin = 0
        while (end := data.find(b"\n", begin)) >= 0:
            self._take(data, begin, end, lines)
            self._finish(lines)
            begin = end + 1
        self._take(data, begin, len(data), lines)
        return lines

    def close(self) -> list[tuple[int, bytes | MessageRefused]]:
        """What is left when the stream ends: a last line without a newline counts."""
        lines: list[tuple[int, bytes | MessageRefused]] = []
        self._finish(lines)
        return lines

    def _take(
        self, data: bytes, begin: int, end: int, lines: list[tuple[int, bytes | MessageRefused]]
    ) -> None:
        if self._skipping:
            return
        # One byte more is allowed for the "\r" of a "\r\n" that is still to come.
        if len(self._held) + end - begin > self._longest + 1:
            self._skipping = True
            self._held = bytearray()
            lines.append((self.line_number, _too_long(self.line_number, self._longest)))
        else:
            self._held += memoryview(data)[begin:end]

    def _finish(self, lines: list[tuple[int, bytes | MessageRefused]]) -> None:
        if not self._skipping:
            line = bytes(self._held).removesuffix(b"\r")
            if len(line) > self._longest:
                lines.append((self.line_number, _too_long(self.line_number, self._longest)))
            elif line.strip():
                lines.append((self.line_number, line))
        self._held = bytearray()
        self._skipping = False
        self.line_number += 1


def _too_long(number: int, longest_bytes: int) -> MessageRefused:
    return MessageRefused(
        f"the line is longer than {longest_bytes} bytes; it was skipped up to its end",
        where=f"line {number}",
        do="Send one message a line, each ended by a newline.",
    )


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
    found = _read_object(line, where)
    given_id = found.get("id")
    message_id = given_id if isinstance(given_id, str) and 1 <= len(given_id) <= 128 else None
    if message_id is not None:
        where = f"{where}, id {message_id!r}"

    def refuse(what: str, field: str, do: str) -> NoReturn:
        raise MessageRefused(what, where=f"{where}, {field}", do=do, message_id=message_id)

    version = found.get("v")
    if version is None or isinstance(version, bool) or version != SCHEMA_VERSION:
        what = "is missing" if "v" not in found else f"is {_shown(version)}"
        refuse(f"the schema version {what}", "field 'v'", f'Send "v": {SCHEMA_VERSION}.')
    kind = found.get("type")
    if not isinstance(kind, str):
        what = "is missing" if "type" not in found else f"is {_shown(kind)}, not a text"
        refuse(f"the message type {what}", "field 'type'", advice("", INBOUND_TYPES))
    if kind not in INBOUND_TYPES:
        refuse(f"no such message type: {_shown(kind)}", "field 'type'", advice(kind, INBOUND_TYPES))
    try:
        message = INBOUND_TYPES[kind].model_validate(found)
    except ValidationError as invalid:
        refuse(*_finding(invalid, INBOUND_TYPES[kind]))
    if isinstance(message, EventReported) and events is not None and message.event not in events:
        what = f"no such event: {_shown(message.event)}"
        refuse(what, "field 'event'", advice(message.event, events))
    return message


def _read_object(line: bytes, where: str) -> dict[str, Any]:
    """One strict JSON object (RFC 8259, its names unique), bounded in size and depth."""
    if len(line) > LONGEST_LINE_BYTES + 2:
        raise MessageRefused(
            f"the line is longer than {LONGEST_LINE_BYTES} bytes",
            where=where,
            do="Send one message a line.",
        )
    try:
        text = line.removeprefix(_BOM).decode("utf-8")
    except UnicodeDecodeError as error:
        raise MessageRefused(
            f"not UTF-8 at byte {error.start + 1}", where=where, do="Send the text as UTF-8."
        ) from error
    _check_depth(text, where)

    def refuse(what: str, do: str) -> NoReturn:
        raise MessageRefused(what, where=where, do=do)

    def whole(digits: str) -> int:
        # Counted before converting: thousands of digits cost time and then an error of int().
        number = int(digits) if len(digits) <= 20 else None
        if number is None or abs(number) > WHOLE_NUMBER_LIMIT:
            refuse(
                f"the number {_shortened(digits)} is out of range",
                f"Whole numbers go from -{WHOLE_NUMBER_LIMIT} to {WHOLE_NUMBER_LIMIT}.",
            )
        return number

    def real(digits: str) -> float:
        number = float(digits)
        if not math.isfinite(number):
            refuse(f"the number {_shortened(digits)} is out of range", "Send a smaller number.")
        return number

    def constant(name: str) -> NoReturn:
        refuse(f"{name} is not JSON", "Send a number, or leave the field out.")

    def once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            refuse(f"the field {_shown(twice)} comes twice", "Send each field once.")
        return found

    try:
        found = json.loads(
            text,
            object_pairs_hook=once_each,
            parse_int=whole,
            parse_float=real,
            parse_constant=constant,
        )
    except json.JSONDecodeError as error:
        raise MessageRefused(
            f"not JSON: {error.msg[:1].lower()}{error.msg[1:]}",
            where=f"{where}, column {error.pos + 1}",
            do="Send one JSON object a line.",
        ) from error
    if not isinstance(found, dict):
        refuse(f"not a JSON object but {_shown(found)}", "Send one JSON object a line.")
    for string in _strings(found):
        if _UNSPEAKABLE.search(string):
            refuse(
                f"{_shown(string)} holds a control character or half a surrogate pair",
                "Send plain text.",
            )
    return found


def _strings(value: object) -> Iterator[str]:
    # The depth was checked, so this cannot go deep.
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield name
            yield from _strings(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _strings(inner)


def _check_depth(text: str, where: str) -> None:
    # Before parsing: the parser recurses, and a line of brackets would exhaust its stack.
    depth = 0
    for token in _STRING_OR_BRACKET.finditer(text):
        bracket = token[0]
        if bracket in ("[", "{"):
            depth += 1
        elif bracket in ("]", "}"):
            depth -= 1
        if depth > DEEPEST_NESTING:
            raise MessageRefused(
                f"nested more than {DEEPEST_NESTING} deep",
                where=f"{where}, column {token.start() + 1}",
                do="Send one flat JSON object a line.",
            )


def _finding(invalid: ValidationError, message: type[Inbound]) -> tuple[str, str, str]:
    """What is wrong first, in which field, and what would be right."""
    errors = invalid.errors(include_url=False, include_context=False)
    first = errors[0]
    path = [str(part) for part in first["loc"]]
    if path[:1] == ["slots"] and len(path) > 1:
        field = f"slot {_shown(path[1])}"
        if path[-1] == "[key]":
            return "the slot's name is empty or too long", field, "Use at most 128 characters."
        what = f"{_shown(first['input'])} is not a slot's value"
        return what, field, "Send a text of at most 400 characters or a whole number."
    field = f"field {path[0]!r}" if len(path[0]) <= SHOWN_CHARS else f"field {_shown(path[0])}"
    if first["type"] == "missing":
        return "the field is missing", field, f"Add it. {_description(message, path[0])}"
    if first["type"] == "extra_forbidden":
        close = nearest(path[0], message.model_fields)
        do = f"Did you mean {close!r}?" if close else "Leave it out."
        return f"a message of this type has no field {_shown(path[0])}", field, do
    what = f"{_shown(first['input'])} does not fit: {first['msg'][:1].lower()}{first['msg'][1:]}"
    return what, field, _WHAT_WOULD_FIT.get(first["type"]) or _description(message, path[0])


def _description(message: type[Inbound], field: str) -> str:
    return message.model_fields[field].description or "See the message schema."


def _shown(value: object) -> str:
    return _shortened(ascii(value))


def _shortened(text: str) -> str:
    return text if len(text) <= SHOWN_CHARS else f"{text[: SHOWN_CHARS - 1]}…"


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
    problem = refused.problem
    return ErrorReported(
        at_s=at_s,
        what=problem.what,
        where=problem.where,
        do=problem.do,
        id=refused.message_id,
    )
