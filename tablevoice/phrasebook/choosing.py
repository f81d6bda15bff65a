"""Chooses which line is said for an event, so that none is heard twice too soon.

Each line carries the number of the last round in which it was said. A line of the
lowest round among the eligible ones comes first, so none comes back before all that
are eligible were said; within a round, weights decide the order. On top of that comes
taste: kinds that rest, stories, characters, quiet hours. Pure: the time, the seed and the
rows of earlier sessions are passed in; the table calls it, and keeps each row before the
line sounds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tablevoice.errors import MessageRefused
from tablevoice.model import Line, Phrasebook, Priority, SlotValue, Spent
from tablevoice.nearest import advice
from tablevoice.phrasebook import quiet_hours
from tablevoice.phrasebook.cooldowns import Cooldowns
from tablevoice.phrasebook.rounds import (
    MAX_ROUND,
    MOST_REMEMBERED,
    NOTHING_RESTS,
    EventRounds,
    Pick,
    Resting,
)
from tablevoice.phrasebook.slots import fill

__all__ = ["MAX_ROUND", "MOST_REMEMBERED", "Chooser", "Chosen", "Withheld"]


@dataclass(frozen=True, slots=True)
class Chosen:
    """The line to say, who says it, its filled text, and the row to keep before it sounds.

    ``note`` says which rule of taste gave way, empty as a rule. ``held_back``: kinds of
    which a line would have fitted, had they not been resting.
    """

    line: Line
    voice: str
    text: str
    spent: Spent
    note: str = ""
    held_back: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Withheld:
    """Nothing is to be said, and why; no line was used up."""

    why: str
    held_back: tuple[str, ...] = ()


class Chooser:
    """Picks lines of a phrasebook; the same seed, rows and calls give the same lines.

    A line is eligible when its conditions (its mood among them) hold, it follows no other,
    and taste does not hold it back: its kind rests, its voice has no liking for its kind, or
    it is of a story and was said in this session. For the event as a whole: among the lines
    that are eligible at a call, one that is behind in rounds comes before one that is not,
    and the line said last comes only when it is the only one. Among the lines that this
    leaves, the same two rules are applied to the voice that would speak. (Several voices
    that share lines cannot always have both: the event's rule goes first. Where each line
    belongs to one voice, and conditions do not change, both always hold.) Lines of weight 0
    rest. A story that was begun goes on before anything else, whatever its round.

    Where taste leaves nothing, what is asked for last gives way first: being said once a
    session, then a voice's dislikes, then cooldowns. Conditions never do.

    A restart after any row goes on with exactly the lines that would have come; ``session``
    tells which of them were said in the session that goes on.
    """

    def __init__(
        self, book: Phrasebook, seed: int, spent: Iterable[Spent] = (), *, session: int = 0
    ) -> None:
        self._book = book
        self._seed = seed
        self._session = session
        self._events = {
            name: EventRounds(event, seed, book.characters)
            for name, event in book.events.items()
        }
        self._cooldowns = Cooldowns(book.kinds)
        self._latest: dict[str, float] = {}  # of each line that others follow: how late they may
        for event in book.events.values():
            for line in event.lines:
                if line.follows is not None and line.weight > 0:
                    self._latest[line.follows] = max(
                        line.within_s, self._latest.get(line.follows, 0.0))
        self._begun: dict[str, float] = {}
        self._uses = 0
        self._rows: dict[tuple[str, str, str], Spent] = {}
        self._foreign: dict[tuple[str, str, str], Spent] = {}
        for row in spent:
            self._recall(row)

    def choose(
        self, event: str, slots: Mapping[str, SlotValue], default_voice: str, now_s: float = 0.0
    ) -> Chosen:
        """The next line of ``event``; ``default_voice`` speaks lines that name no voice.

        Always gives a line: rules of taste give way before it would not, and the note says
        which did. Slots that the event does not have are passed over. Raises MessageRefused,
        and changes nothing, for an unknown event, a missing or unsayable slot value, or
        values for which no line is left.
        """
        rounds = self._rounds(event)
        resting = self._resting(now_s)
        return self._take(rounds, event, rounds.pick(slots, default_voice, resting), slots, now_s)

    def choose_if_fit(
        self, event: str, slots: Mapping[str, SlotValue], default_voice: str, now_s: float = 0.0,
        clock_min: float | None = None,
    ) -> Chosen | Withheld:
        """As :meth:`choose`, but silence where that is better than a line.

        So it is for lines that quiet hours do not let speak at ``clock_min`` (minutes after
        the local midnight), and for banter against a rule of taste. Questions and warnings
        always get a line.
        """
        rounds = self._rounds(event)
        priority = self._book.events[event].priority
        if clock_min is not None:
            span = quiet_hours.quiet_span(self._book.quiet_hours, priority, clock_min)
            if span is not None:
                return Withheld(quiet_hours.wording(span))
        pick = rounds.pick(slots, default_voice, self._resting(now_s))
        if pick.gave_way and priority is Priority.BANTER:
            return Withheld(self._rule(pick, rounds.line(pick.index)), pick.held_back)
        return self._take(rounds, event, pick, slots, now_s)

    def current_round(self, event: str) -> int:
        """The highest round that a line of ``event`` was said in, 0 before the first.

        Rows of lower rounds may be deleted (but the newest of each voice) where no line
        has conditions; with conditions, keep what :meth:`rows` gives.
        """
        return self._events[event].highest_round()

    def rows(self) -> tuple[Spent, ...]:
        """All that a restart needs, oldest first: at most one row a line and voice.

        Rows of lines that the phrasebook no longer has are left out, so storing these
        in place of all others tidies up.
        """
        return tuple(self._rows.values())

    def with_book(self, book: Phrasebook) -> Chooser:
        """A chooser of another phrasebook that remembers what was said of this one.

        Lines are known again by their keys, those that this phrasebook lacks as well.
        """
        rows = sorted([*self._rows.values(), *self._foreign.values()], key=lambda row: row.use)
        chooser = Chooser(book, self._seed, rows, session=self._session)
        chooser._cooldowns.take_over(self._cooldowns)
        return chooser

    def begin_session(self, session: int) -> None:
        """Go on in another session on the same clock: stories may be told again."""
        self._session = session
        self._begun.clear()
        for rounds in self._events.values():
            rounds.forget_stories()

    def _rounds(self, event: str) -> EventRounds:
        rounds = self._events.get(event)
        if rounds is None:
            raise MessageRefused(f"there is no event {event[:80]!r}.", where="event",
                                 do=advice(event[:80], self._events))
        return rounds

    def _resting(self, now_s: float) -> Resting:
        kinds = self._cooldowns.resting(self._uses + 1, self._session, now_s)
        if not self._begun:
            return Resting(kinds) if kinds else NOTHING_RESTS
        for key in [key for key, at_s in self._begun.items()
                    if now_s - at_s > self._latest[key]]:
            del self._begun[key]
        return Resting(kinds, {key: now_s - at_s for key, at_s in self._begun.items()})

    def _take(
        self, rounds: EventRounds, event: str, pick: Pick, slots: Mapping[str, SlotValue],
        now_s: float,
    ) -> Chosen:
        line = rounds.line(pick.index)
        text = fill(line.text, slots)
        row = Spent(event, pick.voice, line.key, pick.round, pick.voice_round,
                    self._uses + 1, self._session, now_s)
        note = self._rule(pick, line)
        rounds.take(pick)
        self._note_use(row, line)
        return Chosen(line, pick.voice, text, row, note, pick.held_back)

    def _rule(self, pick: Pick, line: Line) -> str:
        """The rule that a pick breaks, in words; empty when it breaks none."""
        match pick.gave_way:
            case "":
                return ""
            case "once":
                return "this line of a story was said in this session already"
            case "character":
                return f"{pick.voice} says nothing of the kind {line.kind!r}"
            case _:
                return self._cooldowns.wording(line.kind or "")

    def _recall(self, row: Spent) -> None:
        key = (row.event, row.voice, row.line_key)
        rounds = self._events.get(row.event)
        if rounds is None or not rounds.recall(row, this_session=row.session == self._session):
            self._foreign[key] = row
            self._uses = max(self._uses, row.use)
            return
        line = rounds.line_of(row.line_key)
        assert line is not None
        self._note_use(row, line)

    def _note_use(self, row: Spent, line: Line) -> None:
        key = (row.event, row.voice, row.line_key)
        self._rows.pop(key, None)
        self._rows[key] = row
        self._uses = max(self._uses, row.use)
        if line.kind is not None:
            self._cooldowns.used(line.kind, row)
        if row.session != self._session:
            return
        if line.follows is not None:
            self._begun.pop(line.follows, None)
        if line.key in self._latest:
            self._begun[line.key] = row.at_s
