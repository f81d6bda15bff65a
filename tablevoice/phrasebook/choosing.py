"""Chooses which line is said for an event, so that none is heard twice too soon.

Each line carries the number of the last round in which it was said. A line of the
lowest round among the eligible ones comes first, so none comes back before all that
are eligible were said; within a round, weights decide the order. Pure: no clock, and
the seed and the rows of earlier sessions are passed in; the table calls it, and keeps
each row before the line sounds.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from hashlib import blake2b
from heapq import heapify, heappop, heappush, heapreplace
from typing import NamedTuple

from tablevoice.errors import MessageRefused
from tablevoice.model import EventLines, Line, Phrasebook, SlotValue, Spent
from tablevoice.nearest import advice
from tablevoice.phrasebook.slots import eligible, fill, voice_of, voice_slot

MAX_ROUND = 2**31
"""A row beyond this is damage: two lines a second would take 34 years to come to it."""
MOST_REMEMBERED = 256
"""Combinations of slot values whose eligible lines are kept at hand, per event."""

_LAST_RESORT = 2**40


@dataclass(frozen=True, slots=True)
class Chosen:
    """The line to say, who says it, its filled text, and the row to keep before it sounds."""

    line: Line
    voice: str
    text: str
    spent: Spent


class Chooser:
    """Picks lines of a phrasebook; the same seed, rows and calls give the same lines.

    For the event as a whole: among the lines that are eligible at a call, one that is
    behind in rounds comes before one that is not, and the line said last comes only
    when it is the only one. Among the lines that this leaves, the same two rules are
    applied to the voice that would speak. (Several voices that share lines cannot
    always have both: the event's rule goes first. Where each line belongs to one voice,
    and conditions do not change, both always hold.) Lines of weight 0 rest.

    A restart after any row goes on with exactly the lines that would have come.
    """

    def __init__(self, book: Phrasebook, seed: int, spent: Iterable[Spent] = ()) -> None:
        self._events = {
            name: _EventRounds(event, seed) for name, event in book.events.items()
        }
        self._rows: dict[tuple[str, str, str], Spent] = {}
        for row in spent:
            rounds = self._events.get(row.event)
            if rounds is not None and rounds.recall(row):
                self._keep(row)

    def choose(
        self, event: str, slots: Mapping[str, SlotValue], default_voice: str
    ) -> Chosen:
        """The next line of ``event``; ``default_voice`` speaks lines that name no voice.

        Slots that the event does not have are passed over. Raises MessageRefused, and
        changes nothing, for an unknown event, a missing or unsayable slot value, or
        values for which no line is left.
        """
        rounds = self._events.get(event)
        if rounds is None:
            raise MessageRefused(f"there is no event {event[:80]!r}.", where="event",
                                 do=advice(event[:80], self._events))
        chosen = rounds.choose(slots, default_voice)
        self._keep(chosen.spent)
        return chosen

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

    def _keep(self, row: Spent) -> None:
        key = (row.event, row.voice, row.line_key)
        self._rows.pop(key, None)
        self._rows[key] = row


class _Rank(NamedTuple):
    """What orders the lines that may be said; the smallest comes next.

    ``round``: when it was last said. ``voice_round``: when its voice last said it.
    ``fraction``: its place among its equals. ``place``: its index in the event.
    """

    round: int
    voice_round: int
    fraction: float
    place: int


@dataclass(slots=True)
class _Kin:
    """Lines with the same conditions and voice: eligible together, spoken by one voice."""

    example: Line
    members: list[int]
    highest: int = 0
    queues: dict[str, _Queue] = field(default_factory=dict)


class _Queue:
    """The lines of some kin as one voice would take them: a heap that is put right when read.

    Ranks only grow, so an entry that is out of date stands too far to the front and is
    met, and corrected, before it can do harm.
    """

    def __init__(self, members: list[int], rounds: _EventRounds, voice: str) -> None:
        self._rounds = rounds
        self._voice = voice
        self._heap = [rounds.rank(index, voice) for index in members]
        heapify(self._heap)
        self._sizes = Counter(rank.voice_round for rank in self._heap)
        self.highest = max(self._sizes)
        self.size = len(members)
        self._members = frozenset(members)

    def moved(self, before: int, after: int) -> None:
        """Its voice said one of its lines, whose voice round went up from ``before``."""
        self._sizes[before] -= 1
        if not self._sizes[before]:
            del self._sizes[before]
        self._sizes[after] += 1
        self.highest = max(self.highest, after)

    def lowest(self, without: int | None) -> int | None:
        """The lowest voice round of its lines, one left out; ``None`` when none is left."""
        least = min(self._sizes)
        if without is None or without not in self._members \
                or self._rounds.voice_round(without, self._voice) != least \
                or self._sizes[least] > 1:
            return least
        return min((found for found in self._sizes if found != least), default=None)

    def first(self, barred: int | None, latest: int | None) -> tuple[_Rank | None, _Rank | None]:
        """The next line that is neither ``barred`` nor ``latest``; and ``latest``, if in front."""
        heap, rounds, passed = self._heap, self._rounds, []
        found = late = None
        while heap:
            top = heap[0]
            if top.round != rounds.said[top.place]:
                heapreplace(heap, rounds.rank(top.place, self._voice))
            elif top.place == barred or top.place == latest:
                passed.append(heappop(heap))
                if top.place != barred:
                    late = top
            else:
                found = top
                break
        for rank in passed:
            heappush(heap, rank)
        return found, late


@dataclass(frozen=True, slots=True)
class _Eligible:
    """What may be said for some slot values: each voice with its kin's queues."""

    kin: tuple[_Kin, ...]
    voices: tuple[tuple[str, tuple[_Queue, ...]], ...]
    count: int


class _EventRounds:
    """When each line of one event was last said, and the order of those to come."""

    def __init__(self, event: EventLines, seed: int) -> None:
        self._name = event.name
        self._lines = event.lines
        self._seed = seed
        self._index = {line.key: index for index, line in enumerate(event.lines)}
        heaviest = max((line.weight for line in event.lines), default=1.0) or 1.0
        self._weights = [line.weight / heaviest for line in event.lines]
        self.said = [0] * len(event.lines)
        self._fractions = [self._fraction(index, 0) for index in range(len(event.lines))]
        self._voice_rounds: dict[str, dict[int, int]] = {}
        self._last: int | None = None
        self._last_of: dict[str, int] = {}
        self._kin: dict[tuple[object, ...], _Kin] = {}
        self._kin_of: dict[int, _Kin] = {}
        for index, line in enumerate(event.lines):
            if line.weight > 0:
                kin = self._kin.setdefault((line.when, line.voice), _Kin(line, []))
                kin.members.append(index)
                self._kin_of[index] = kin
        self._deciding = tuple(dict.fromkeys(
            [condition.slot for kin in self._kin.values() for condition in kin.example.when]
            + [slot for kin in self._kin.values()
               if (slot := voice_slot(kin.example.voice)) is not None]))
        self._remembered: dict[tuple[object, ...], _Eligible] = {}

    def rank(self, index: int, voice: str) -> _Rank:
        return _Rank(self.said[index], self.voice_round(index, voice),
                     self._fractions[index], index)

    def voice_round(self, index: int, voice: str) -> int:
        return self._voice_rounds.get(voice, {}).get(index, 0)

    def highest_round(self) -> int:
        return max(self.said, default=0)

    def recall(self, row: Spent) -> bool:
        """Take over a row of an earlier session; False when it says nothing about this book.

        Only before the first choice: queues do not see it.
        """
        index = self._index.get(row.line_key)
        if index is None or not 0 < row.round < MAX_ROUND:
            return False
        # A keeper that stores no voice rounds leaves 0: the event's round orders them, too.
        voice_round = row.voice_round if 0 < row.voice_round < MAX_ROUND else row.round
        self._mark(index, row.voice, row.round, voice_round)
        return True

    def choose(self, slots: Mapping[str, SlotValue], default_voice: str) -> Chosen:
        among = self._eligible(slots, default_voice)
        if not among.count:
            raise MessageRefused(f"no line of event {self._name!r} fits these slots.",
                                 where="slots", do="Add a line without conditions to the event.")
        index, voice, queues = self._next(among)
        line = self._lines[index]
        text = fill(line.text, slots)
        highest = max(kin.highest for kin in among.kin)
        voice_highest = max(queue.highest for queue in queues)
        said, voice_said = self.said[index], self.voice_round(index, voice)
        row = Spent(
            event=self._name,
            voice=voice,
            line_key=line.key,
            round=highest if said < highest else said + 1,
            voice_round=voice_highest if voice_said < voice_highest else voice_said + 1,
        )
        self._mark(index, voice, row.round, row.voice_round)
        self._kin_of[index].queues[voice].moved(voice_said, row.voice_round)
        return Chosen(line, voice, text, row)

    def _next(self, among: _Eligible) -> tuple[int, str, tuple[_Queue, ...]]:
        barred = self._last if among.count > 1 else None
        best: tuple[int, int, float, int] | None = None
        chosen = among.voices[0]
        for voice, queues in among.voices:
            several = len(queues) > 1 or queues[0].size > 1
            latest = self._last_of.get(voice) if several else None
            # Rounds of different voices compare by how far a line is behind its voice's others.
            base = 0
            if len(among.voices) > 1:
                base = min(low for queue in queues
                           if (low := queue.lowest(latest)) is not None)
            for queue in queues:
                found, late = queue.first(barred, latest)
                if found is not None:
                    rank = (found.round, found.voice_round - base, found.fraction, found.place)
                    if best is None or rank < best:
                        best, chosen = rank, (voice, queues)
                if late is not None:
                    rank = (late.round, _LAST_RESORT, late.fraction, late.place)
                    if best is None or rank < best:
                        best, chosen = rank, (voice, queues)
        if best is None:
            raise AssertionError("an eligible line is always left: only one is ever barred")
        return best[3], *chosen

    def _mark(self, index: int, voice: str, round_: int, voice_round: int) -> None:
        self.said[index] = round_
        self._fractions[index] = self._fraction(index, round_)
        self._voice_rounds.setdefault(voice, {})[index] = voice_round
        self._last = index
        self._last_of[voice] = index
        kin = self._kin_of.get(index)
        if kin is not None:
            kin.highest = max(kin.highest, round_)

    def _fraction(self, index: int, round_: int) -> float:
        """Orders a line within a round: weighted sampling without replacement.

        Efraimidis and Spirakis, "Weighted random sampling with a reservoir" (2006): the
        order of -ln(u)/weight, u uniform, smallest first. ``u`` comes from a hash, so that
        it is the same after a restart.
        """
        weight = self._weights[index]
        if weight <= 0:
            return math.inf
        name = f"{self._seed} {round_} {self._lines[index].key} {self._name}"
        digest = blake2b(name.encode(), digest_size=8).digest()
        uniform = (int.from_bytes(digest, "big") + 0.5) / 2.0**64
        return -math.log(uniform) / weight

    def _eligible(self, slots: Mapping[str, SlotValue], default_voice: str) -> _Eligible:
        key = (default_voice, *[slots.get(name) for name in self._deciding])
        found = self._remembered.get(key)
        if found is None:
            if len(self._remembered) >= MOST_REMEMBERED:
                self._remembered.clear()
            found = self._remembered[key] = self._find_eligible(slots, default_voice)
        return found

    def _find_eligible(self, slots: Mapping[str, SlotValue], default_voice: str) -> _Eligible:
        fitting = tuple(kin for kin in self._kin.values() if eligible(kin.example, slots))
        voices: dict[str, list[_Queue]] = {}
        for kin in fitting:
            voice = voice_of(kin.example, slots, default_voice)
            queue = kin.queues.get(voice)
            if queue is None:
                queue = kin.queues[voice] = _Queue(kin.members, self, voice)
            voices.setdefault(voice, []).append(queue)
        return _Eligible(
            kin=fitting,
            voices=tuple((voice, tuple(queues)) for voice, queues in voices.items()),
            count=sum(len(kin.members) for kin in fitting),
        )
