"""People at a rehearsed table: when each opens their mouth, and what they say.

Pure: hears what the table says, as text, and answers with what to say and when. They know
what they said, not what the table understood of it: where it mishears, they say so, the way
a person would.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from tablevoice.links.messages import Outbound, Said
from tablevoice.rehearsal.session_rows import PersonRow


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to say ``after_s`` from now: ``text``, by which means ``row`` tells."""

    who: str
    text: str
    after_s: float
    row: PersonRow


class People:
    """Everybody of a session file, and what each of them said last."""

    def __init__(self, rows: Iterable[PersonRow]) -> None:
        self._waiting = tuple(row for row in rows if row.after is not None)
        self._ended: Counter[str] = Counter()
        self._last: dict[str, str] = {}

    def hears(self, message: Outbound) -> list[Remark]:
        """What is said after this message, if it is a line that was said to its end."""
        if not isinstance(message, Said) or message.said != "said":
            return []
        self._ended[message.event] += 1
        return [
            self.remark(row, message.text)
            for row in self._waiting
            if row.after == message.event and row.nth in (None, self._ended[message.event])
        ]

    def remark(self, row: PersonRow, heard: str = "") -> Remark:
        """What a row has its person say, after a line in which they ``heard`` that text."""
        last = self._last.get(row.who, "")
        if row.confirms is not None:
            yes, no = row.confirms
            text = yes if last and last.casefold() in heard.casefold() else no
        elif row.repeats:
            text = last
        else:
            text = row.says or row.types or row.plays or ""
            self._last[row.who] = text
        return Remark(row.who, text, row.after_s, row)
