"""Runs the few statements of IEC 61131-3 structured text that the register map's example uses.

Translates a function block into Python, statement by statement, so that the text that a
controller's programmer gets is itself what a test runs. Assignments, IF, FOR, calls of blocks;
TON and R_TRIG as the standard's annex has them (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

Clock = Callable[[], float]


class RisingEdge:
    """R_TRIG."""

    def __init__(self) -> None:
        self.Q = False
        self._last = False

    def __call__(self, *, CLK: bool) -> None:  # noqa: N803 - the standard's name
        self.Q, self._last = CLK and not self._last, CLK


class OnDelay:
    """TON."""

    def __init__(self, clock: Clock) -> None:
        self.Q = False
        self._clock = clock
        self._since_s: float | None = None

    def __call__(self, *, IN: bool, PT: float = 0.0) -> None:  # noqa: N803 - as above
        if not IN:
            self._since_s, self.Q = None, False
            return
        if self._since_s is None:
            self._since_s = self._clock()
        self.Q = self._clock() - self._since_s >= PT


@dataclass
class Block:
    """One instance of a function block: its variables, and its body to be run each cycle."""

    source: str
    values: dict[str, Any]
    shared: dict[str, Any]
    code: Any = field(init=False)

    def __post_init__(self) -> None:
        self.code = compile(self.source, "structured text", "exec")

    def __call__(self, **given: Any) -> None:
        self.values.update(given)
        exec(self.code, self.shared, self.values)

    def __getattr__(self, name: str) -> Any:
        try:
            return self.values[name]
        except KeyError:
            raise AttributeError(name) from None


class Text:
    """A whole file: constants, array types, function blocks."""

    def __init__(self, text: str, clock: Clock) -> None:
        text = re.sub(r"\(\*.*?\*\)", "", text, flags=re.DOTALL)
        self.clock = clock
        listed = re.search(r"VAR_GLOBAL CONSTANT(.*?)END_VAR", text, re.DOTALL)
        assert listed is not None
        self.constants = {
            name: int(value)
            for name, value in re.findall(r"(\w+) : UINT := (\d+);", listed.group(1))
        }
        self.arrays = {
            name: int(last) + 1
            for name, last in re.findall(r"TYPE (\w+) : ARRAY \[[01]\.\.(\d+)\]", text)
        }
        self._blocks = dict(re.findall(
            r"FUNCTION_BLOCK (\w+)(.*?)END_FUNCTION_BLOCK", text, re.DOTALL))

    def array(self, name: str) -> list[int]:
        return [0] * self.arrays[name]

    def block(self, name: str) -> Block:
        head, body = re.split(r"END_VAR\s*(?!\s*VAR)", self._blocks[name], maxsplit=1)
        values = {}
        for variable, kind, begin in re.findall(r"(\w+) : (\w+)(?: := ([^;]+))?;", head):
            values[variable] = self._initial(kind, begin)
        converted = dict.fromkeys(("WORD_TO_UINT", "UINT_TO_WORD"), lambda value: value)
        converted["INT_TO_WORD"] = lambda value: value & 0xFFFF
        return Block(translated(body), values, {**self.constants, **converted})

    def _initial(self, kind: str, begin: str) -> Any:
        match kind:
            case "BOOL":
                return False
            case "TIME":
                return _seconds(begin)
            case "TON":
                return OnDelay(self.clock)
            case "R_TRIG":
                return RisingEdge()
            case _ if kind in self.arrays:
                return self.array(kind)
            case _:
                return int(begin or 0)


def translated(body: str) -> str:
    """The statements as Python. Raises AssertionError for any that is not known here."""
    lines: list[str] = []
    depth = 0
    flat = re.sub(r"\s+", " ", body).strip()
    statements = re.findall(
        r"(IF .*? THEN|ELSIF .*? THEN|ELSE|END_IF;|FOR .*? DO|END_FOR;|[^;]+;)\s*", flat)
    for statement in (one.strip() for one in statements):
        if statement in ("END_IF;", "END_FOR;"):
            depth -= 1
            continue
        if statement.startswith(("ELSIF", "ELSE")):
            depth -= 1
        if found := re.fullmatch(r"(IF|ELSIF) (.*) THEN", statement):
            line = f"{'if' if found[1] == 'IF' else 'elif'} {_expression(found[2])}:"
        elif statement == "ELSE":
            line = "else:"
        elif found := re.fullmatch(r"FOR (\w+) := (.*) TO (.*) DO", statement):
            line = f"for {found[1]} in range({_expression(found[2])}, {_expression(found[3])} + 1):"
        elif found := re.fullmatch(r"([\w\[\] +\-]+) := (.*);", statement):
            line = f"{_expression(found[1])} = {_expression(found[2])}"
        else:
            found = re.fullmatch(r"(\w+)\((.*)\);", statement)
            assert found is not None, f"not a statement that is known here: {statement}"
            line = f"{found[1]}({_arguments(found[2])})"
        lines.append("    " * depth + line)
        if line.endswith(":"):
            depth += 1
    assert depth == 0
    return "\n".join(lines)


def _arguments(text: str) -> str:
    return ", ".join(
        f"{name.strip()}={_expression(value)}"
        for name, value in (one.split(":=") for one in text.split(", ")))


def _expression(text: str) -> str:
    text = text.strip().replace("<>", "!=")
    text = re.sub(r"(?<![<>!:=])=(?!=)", "==", text)
    for word, python in (("AND", "and"), ("OR", "or"), ("NOT", "not"), ("MOD", "%"),
                         ("TRUE", "True"), ("FALSE", "False")):
        text = re.sub(rf"\b{word}\b", python, text)
    # Arrays of slots begin at 1; a place before them keeps Python's from 0 right.
    return re.sub(r"\bSlots\[(\w+)\]", r"Slots[\1 - 1]", text)


def _seconds(text: str) -> float:
    number, unit = re.fullmatch(r"T#(\d+)(ms|s|m)", text.strip()).groups()  # type: ignore[union-attr]
    return int(number) * {"ms": 0.001, "s": 1.0, "m": 60.0}[unit]
