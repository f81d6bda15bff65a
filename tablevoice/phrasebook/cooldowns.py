"""Which kinds of lines rest now: how long ago, in seconds, lines and sessions, one last came.

Pure: time and the number of the session are passed in. The chooser tells it of every line
that is said, and asks before each choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tablevoice.model import Cooldown, Spent

_NONE: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class _LastUse:
    at_s: float
    use: int
    session: int


class Cooldowns:
    """The cooldowns of a phrasebook's kinds, and when each kind was last used."""

    def __init__(self, kinds: Mapping[str, Cooldown]) -> None:
        self._limited = {name: limit for name, limit in kinds.items() if limit != Cooldown()}
        self._last: dict[str, _LastUse] = {}

    def used(self, kind: str, row: Spent) -> None:
        """A line of ``kind`` was said; rows may come in any order."""
        if kind not in self._limited:
            return
        before = self._last.get(kind)
        if before is None or (row.use, row.session, row.at_s) >= (
                before.use, before.session, before.at_s):
            self._last[kind] = _LastUse(row.at_s, row.use, row.session)

    def take_over(self, before: Cooldowns) -> None:
        """Remember when kinds were used, though the lines that did are no longer there."""
        self._last = {kind: last for kind, last in before._last.items() if kind in self._limited}

    def resting(self, use: int, session: int, now_s: float) -> frozenset[str]:
        """The kinds of which the line numbered ``use`` may be none."""
        if not self._last:
            return _NONE
        return frozenset(kind for kind, last in self._last.items()
                         if _rests(self._limited[kind], last, use, session, now_s))

    def wording(self, kind: str) -> str:
        """A kind's cooldown as a person would say it."""
        limit = self._limited[kind]
        parts = []
        if limit.every_s:
            parts.append(f"{limit.every_s:g} s")
        if limit.every_uses > 1:
            parts.append(f"{limit.every_uses} lines")
        if limit.every_sessions > 1:
            parts.append(f"{limit.every_sessions} sessions")
        return f"{kind}: at most one in {' and '.join(parts)}"


def _rests(limit: Cooldown, last: _LastUse, use: int, session: int, now_s: float) -> bool:
    too_soon = now_s - last.at_s < limit.every_s or use - last.use < limit.every_uses
    # With 1, the rule of sessions says nothing: several may come in each.
    return too_soon or (
        limit.every_sessions > 1 and session - last.session < limit.every_sessions)
