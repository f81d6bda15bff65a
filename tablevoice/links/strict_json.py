"""One line of bytes to one JSON object, strictly: RFC 8259 with unique names, bounded.

Knows nothing of messages. Refuses what JSON readers disagree about (names that come
twice, NaN, numbers beyond binary64, half surrogate pairs) and what could exhaust a
small computer. Called for every line that a controller sends.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from typing import Any, NoReturn

from tablevoice.errors import MessageRefused
from tablevoice.links.lines import LONGEST_LINE_BYTES
from tablevoice.links.messages import WHOLE_NUMBER_LIMIT

DEEPEST_NESTING = 8
"""The schema needs two levels; a few more let the error name the wrong field instead."""

SHOWN_CHARS = 60
"""How much of a wrong value an error quotes."""

_BOM = b"\xef\xbb\xbf"
# A string counts as one token even when it is never closed, so that no text makes the
# search go back over it.
_STRING_OR_BRACKET = re.compile(r'"(?:[^"\\]|\\.)*"?|[\[\]{}]', re.DOTALL)

_UNSPEAKABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")


def read_object(line: bytes, where: str) -> dict[str, Any]:
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
            refuse(f"the field {shown(twice)} comes twice", "Send each field once.")
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
        refuse(f"not a JSON object but {shown(found)}", "Send one JSON object a line.")
    for string in _strings(found):
        if _UNSPEAKABLE.search(string):
            refuse(
                f"{shown(string)} holds a control character or half a surrogate pair",
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


def shown(value: object) -> str:
    return _shortened(ascii(value))


def _shortened(text: str) -> str:
    return text if len(text) <= SHOWN_CHARS else f"{text[: SHOWN_CHARS - 1]}…"
