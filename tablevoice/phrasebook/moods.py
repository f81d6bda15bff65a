"""The small language of moods: ``lights < best and arm is Alder``.

Knows comparisons of a slot with a value or with another slot, joined by ``and``; turns
the text into conditions, never into code, so that nothing a file says is executed. Called
by the checks of a phrasebook, which have its slots at hand.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tablevoice.model import Condition, SlotValue
from tablevoice.nearest import advice

FORM = "Write a slot, then is, is not, <, <=, > or >=, then a value or a slot: lights < best."

_TOKEN = re.compile(
    r"\s*(?:(?P<sign><=|>=|<|>)|\"(?P<quoted>[^\"]*)\"|(?P<number>[-+]?\d+)(?!\w)|(?P<word>\w+))")
_RESERVED = frozenset({"and", "is", "not"})


@dataclass(frozen=True, slots=True)
class NotAMood:
    """What is wrong with a mood's text, and what would be right."""

    what: str
    do: str


@dataclass(frozen=True, slots=True)
class _Token:
    """``kind``: sign, quoted, number or word; ``at`` counts characters from 1."""

    kind: str
    text: str
    at: int


def read_mood(
    text: str, slots: Mapping[str, Sequence[SlotValue] | None]
) -> tuple[Condition, ...] | NotAMood:
    """The conditions that a mood's text names; all of them must hold.

    ``slots``: every declared slot with its known values, ``None`` where any text may come.
    A word on the right is a slot where there is one of that name, else a value; in quotes
    it is always a value.
    """
    tokens = _tokens(text)
    if isinstance(tokens, NotAMood):
        return tokens
    conditions = []
    rest = list(tokens)
    while True:
        found = _comparison(rest, slots)
        if isinstance(found, NotAMood):
            return found
        conditions.append(found)
        if not rest:
            return tuple(conditions)
        joint = rest.pop(0)
        if joint.text != "and" or joint.kind != "word":
            return NotAMood(f"found {joint.text!r} at character {joint.at} of a mood, where "
                            "another comparison could be joined.", "Join comparisons by 'and'.")


def _tokens(text: str) -> list[_Token] | NotAMood:
    tokens, at = [], 0
    text = text.rstrip()
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None:
            bad = text[at:].lstrip()
            return NotAMood(f"found {bad[0]!r} at character {text.index(bad, at) + 1} of a mood.",
                            FORM)
        kind = found.lastgroup or ""
        tokens.append(_Token(kind, found.group(kind), found.start(kind) + 1))
        at = found.end()
    return tokens


def _comparison(
    rest: list[_Token], slots: Mapping[str, Sequence[SlotValue] | None]
) -> Condition | NotAMood:
    """The comparison at the front of ``rest``, which is taken off."""
    if not rest:
        return NotAMood("a comparison is missing at the end of a mood.", FORM)
    left = rest.pop(0)
    if left.kind != "word" or left.text not in slots:
        return NotAMood(f"{left.text!r} at character {left.at} of a mood is no slot.",
                        advice(left.text, slots))
    if not rest:
        return NotAMood(f"nothing is said of the slot {left.text!r}.", FORM)
    sign = rest.pop(0)
    relation = sign.text if sign.kind == "sign" else "=" if sign.text == "is" else ""
    if not relation:
        return NotAMood(f"found {sign.text!r} at character {sign.at} of a mood.", FORM)
    if relation == "=" and rest and rest[0].text == "not" and rest[0].kind == "word":
        rest.pop(0)
        relation = "!="
    if not rest or (rest[0].kind == "word" and rest[0].text in _RESERVED) \
            or rest[0].kind == "sign":
        return NotAMood(f"nothing stands on the right of {left.text!r}.", FORM)
    return _condition(left, relation, rest.pop(0), slots)


def _condition(
    left: _Token, relation: str, right: _Token, slots: Mapping[str, Sequence[SlotValue] | None]
) -> Condition | NotAMood:
    known = slots[left.text]
    if right.kind == "word" and right.text in slots:
        if right.text == left.text:
            return NotAMood(f"the slot {left.text!r} is compared with itself.", FORM)
        return Condition(left.text, relation=relation, other=right.text)
    value: SlotValue = int(right.text) if right.kind == "number" else right.text
    if relation in ("=", "!="):
        if known is not None and value not in known:
            names = [str(each) for each in known] + [name for name in slots if name != left.text]
            return NotAMood(f"slot {left.text!r} is never {right.text!r}.",
                            advice(right.text, names, at_most=12))
        if relation == "=":
            return Condition(left.text, among=(value,))
        return Condition(left.text, not_among=(value,))
    if not isinstance(value, int):
        return NotAMood(f"{right.text!r} at character {right.at} of a mood is neither a number "
                        "nor a slot.", advice(right.text, slots))
    if known is not None and not any(isinstance(each, int) for each in known):
        return NotAMood(f"slot {left.text!r} has no numbers to compare.", "Use is or is not.")
    match relation:
        case "<":
            return Condition(left.text, at_most=value - 1)
        case "<=":
            return Condition(left.text, at_most=value)
        case ">":
            return Condition(left.text, at_least=value + 1)
        case _:
            return Condition(left.text, at_least=value)
