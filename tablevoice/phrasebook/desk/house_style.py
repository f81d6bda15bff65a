"""What a place wants of its lines: for whom they are, and how far apart repeats shall be.

Plain values, read from a cell file and handed to the desk. No file is opened here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Literal, TypeAlias

Audience: TypeAlias = Literal["children", "general", "adults"]

AUDIENCES: tuple[Audience, ...] = ("children", "general", "adults")
"""From the one that most is unfit for to the one that least is unfit for."""


@dataclass(frozen=True, slots=True)
class HouseStyle:
    """What the lines of one cell are held against.

    ``word_lists``: the user's files of words and for whom they are fit. Repeats of a line
    shall lie further apart than ``repeats_apart_sessions``. ``expected_uses``: how often an
    event is expected in a session here, where that differs from the phrasebook's ``uses``.
    """

    audience: Audience = "general"
    word_lists: tuple[Path, ...] = ()
    repeats_apart_sessions: float = 1.0
    expected_uses: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
