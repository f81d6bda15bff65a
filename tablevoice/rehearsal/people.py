"""People at a rehearsed table: when each opens their mouth, and what they say.

Pure: hears what the table says, as text, and answers with what to say and when. They know
what they said, not what the table understood of it: where it mishears, they say so, the way
a person would.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from tablevoice.links.messages import Outbound, Said
from tablevoice.rehearsal.session_rows import PersonRow


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to say ``after_s`` from now, ``gain_db`` louder than usual.

    ``plays``: the recording of it; ``typed``: it is understood without any sound.
    """

    who: str
    text: str
    after_s: float
    gain_db: float = 0.0
    plays: str | None = None
    typed: bool = False


class People:
    """Everybody of a session file, and what each of them said last."""

    def __init__(self, rows: Iterable[PersonRow]) -> None:
        self._waiting = tuple(row for row in rows if row.after is not None)
        self._ended: Counter[str] = Counter()
        self._last: dict[str, Remark] = {}

    def hears(self, message: Outbound) -> list[Remark]:
        """What is said after this message, if it is a line that was said to its end."""
        if not isinstance(message, Said) or message.said != "said":
            return []
        self._ended[message.event] += 1
        found = [
            self.remark(row, message.text)
            for row in self._waiting
            if row.after == message.event and row.nth in (None, self._ended[message.event])
        ]
        return [remark for remark in found if remark is not None]

    def remark(self, row: PersonRow, heard: str = "") -> Remark | None:
        """What a row has its person say, after a line in which they ``heard`` that text.

        ``None`` where they are to repeat what they never said.
        """
        last = self._last.get(row.who)
        if row.repeats:
            return last and replace(last, after_s=row.after_s, gain_db=row.gain_db)
        if row.confirms is not None:
            yes, no = row.confirms
            right = last is not None and last.text.casefold() in heard.casefold()
            return Remark(row.who, yes if right else no, row.after_s, row.gain_db,
                          typed=last is not None and last.typed)  # fmt: skip
        text = row.says or row.types or Path(row.plays or "").stem
        said = self._last[row.who] = Remark(
            row.who, text, row.after_s, row.gain_db, row.plays, row.types is not None
        )
        return said
