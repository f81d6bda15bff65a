"""Keeps secrets out of what is written down: by the name of a field, by kind, and by value.

Pure. A password may stand in an error's text or in a trace, where no field has a name; so the
values that a cell file holds are known here and struck out wherever they appear.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import fields, is_dataclass
from typing import Any

from pydantic import BaseModel, SecretBytes, SecretStr

STRUCK = "[secret]"

_SECRET_NAME = re.compile(
    r"pass(word|wd|phrase)|(^|_)pw(d)?($|_)|secret|credential|token|api_?key|private_?key"
    r"|authori[sz]ation|cookie",
    re.IGNORECASE,
)

SHORTEST_STRUCK = 4
"""Shorter values are words such as "to", which would strike out half of a text."""

_DEEPEST = 8


class Redaction:
    """Strikes secrets out. ``values``: texts that must never appear."""

    def __init__(self, values: AbstractSet[str] = frozenset()) -> None:
        known = sorted((v for v in values if len(v) >= SHORTEST_STRUCK), key=len, reverse=True)
        self._values = re.compile("|".join(map(re.escape, known))) if known else None

    def text(self, text: str) -> str:
        """``text`` without the known values."""
        return self._values.sub(STRUCK, text) if self._values is not None else text

    def fields(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """The same fields, with every secret struck out, however deep it lies."""
        return {self.text(str(name)): self._of(str(name), value) for name, value in given.items()}

    def _of(self, name: str, value: Any, deep: int = 0) -> Any:
        if isinstance(value, (SecretStr, SecretBytes)):
            return STRUCK
        if _SECRET_NAME.search(name) and value is not None and not isinstance(value, bool):
            return STRUCK
        if value is None or isinstance(value, (bool, int, float)):
            return value
        if deep < _DEEPEST and isinstance(value, Mapping):
            return {
                self.text(str(key)): self._of(str(key), one, deep + 1)
                for key, one in value.items()
            }
        if deep < _DEEPEST and isinstance(value, (list, tuple, set, frozenset)):
            return [self._of("", one, deep + 1) for one in value]
        return self.text(str(value))


def secrets_in(held: object, deep: int = 0) -> frozenset[str]:
    """The values of all secrets within a value made of dataclasses, models and collections."""
    return frozenset(_secrets(held, deep))


def _secrets(held: object, deep: int) -> Iterator[str]:
    if isinstance(held, SecretStr):
        yield held.get_secret_value()
    elif isinstance(held, SecretBytes):
        yield held.get_secret_value().decode("utf-8", "replace")
    elif deep >= _DEEPEST or isinstance(held, (str, bytes)):
        return
    elif isinstance(held, BaseModel):
        for name in type(held).model_fields:
            yield from _secrets(getattr(held, name, None), deep + 1)
    elif is_dataclass(held) and not isinstance(held, type):
        for one in fields(held):
            yield from _secrets(getattr(held, one.name), deep + 1)
    elif isinstance(held, Mapping):
        for value in held.values():
            yield from _secrets(value, deep + 1)
    elif isinstance(held, (Sequence, AbstractSet)):
        for value in held:
            yield from _secrets(value, deep + 1)
