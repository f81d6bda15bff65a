"""The visitor of the demo: when they open their mouth, and what they say.

Pure: hears what the table says, as text, and answers with what to speak and when. It
knows what it wants, not what the table understood: when the table mishears, it says
so, the way a person would. The sound of it goes through the room and the microphone.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tablevoice.links.messages import Outbound, Said


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to say ``after_s`` seconds from now, ``gain_db`` louder than usual."""

    text: str
    after_s: float
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Aside:
    """A remark that is no answer: made after the ``nth`` line of ``event`` has ended."""

    event: str
    nth: int
    remark: Remark


class Bystander:
    """Somebody near the table who talks, but not to it."""

    def __init__(self, asides: Iterable[Aside]) -> None:
        self._asides = tuple(asides)
        self._ended: Counter[str] = Counter()

    def hears(self, message: Outbound) -> list[Remark]:
        """What is said after this message, if it is a line that was heard."""
        if not isinstance(message, Said) or message.start_s is None:
            return []
        self._ended[message.event] += 1
        return [
            aside.remark
            for aside in self._asides
            if aside.event == message.event and aside.nth == self._ended[message.event]
        ]


class Visitor(Bystander):
    """Wants the ``wishes`` in turn, one for each time a colour is asked for.

    The first answer is mumbled ``mumbles_db`` below the visitor's usual level.
    """

    THINKS_S = 0.9
    """Common turn-taking gaps are a few tenths of a second; choosing takes a little longer."""

    def __init__(
        self, wishes: Sequence[str], asides: Iterable[Aside] = (), *, mumbles_db: float = 0.0
    ) -> None:
        super().__init__(asides)
        self._mumbles_db = mumbles_db
        self._wishes = deque(wishes)
        self._wish = ""

    def hears(self, message: Outbound) -> list[Remark]:
        """What the visitor says to this message, answers included."""
        remarks = super().hears(message)
        if not isinstance(message, Said) or message.said != "said":
            return remarks
        match message.event:
            case "colour_asked":
                if self._wishes:
                    self._wish = self._wishes.popleft()
                remarks.append(Remark(self._wish, self.THINKS_S, gain_db=-self._mumbles_db))
                self._mumbles_db = 0.0
            case "colour_misheard" | "waited_too_long":
                # People repeat themselves more loudly (the Lombard effect, about 3 dB here).
                remarks.append(Remark(self._wish, 0.6, gain_db=3.0))
            case "colour_confirm":
                right = self._wish in message.text.casefold()
                remarks.append(Remark("yes" if right else "no", 0.6))
            case _:
                pass
        return remarks
