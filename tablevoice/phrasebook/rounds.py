"""The order in which the lines of one event come: who was said when, and who is next.

Knows the lines of one event, not time, sessions or files: which kinds rest now and which
stories were begun is passed in. The chooser keeps one of these an event.
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
from tablevoice.model import EventLines, Line, SlotValue, Spent
from tablevoice.phrasebook.slots import eligible, voice_of, voice_slot

MAX_ROUND = 2**31
"""A row beyond this is damage: two lines a second would take 34 years to come to it."""
MOST_REMEMBERED = 256
"""Combinations of slot values whose eligible lines are kept at hand, per event."""

_LAST_RESORT = 2**40

Likings = Mapping[str, Mapping[str, float]]
"""How much a voice likes lines of a kind; 1 where nothing is said, 0 for never."""


@dataclass(frozen=True, slots=True)
class Resting:
    """What taste asks for at one moment.

    ``kinds`` are those that rest now; ``begun`` the stories that may go on: the key of the
    line said last of each, and how many seconds ago that was.
    """

    kinds: frozenset[str] = frozenset()
    begun: Mapping[str, float] = field(default_factory=dict)


NOTHING_RESTS = Resting()


@dataclass(frozen=True, slots=True)
class Pick:
    """The next line, who says it, its rounds; what gave way for it, and what was held back.

    ``gave_way``: ``once`` (a session), ``character`` or ``cooldown``, empty as a rule.
    ``held_back``: kinds whose fitting lines rest now.
    """

    index: int
    voice: str
    round: int
    voice_round: int
    gave_way: str = ""
    held_back: tuple[str, ...] = ()


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
    """Lines alike in all but their words: eligible together, spoken by one voice, of one kind."""

    example: Line
    members: list[int]
    highest: int = 0
    queues: dict[str, _Queue] = field(default_factory=dict)


class _Queue:
    """The lines of some kin as one voice would take them: a heap that is put right when read.

    Ranks only grow, so an entry that is out of date stands too far to the front and is
    met, and corrected, before it can do harm.
    """

    def __init__(self, kin: _Kin, rounds: EventRounds, voice: str) -> None:
        self.kin = kin
        self.kind = kin.example.kind
        self._rounds = rounds
        self._voice = voice
        liking = rounds.liking(voice, self.kind)
        self.disliked = liking <= 0
        self._scale = 1.0 if self.disliked else 1.0 / liking
        self._heap = [self._rank(index) for index in kin.members]
        heapify(self._heap)
        self._sizes = Counter(rank.voice_round for rank in self._heap)
        self.highest = max(self._sizes)
        self.size = len(kin.members)
        self._members = frozenset(kin.members)

    def _rank(self, index: int) -> _Rank:
        rounds = self._rounds
        return _Rank(rounds.said[index], rounds.voice_round(index, self._voice),
                     rounds.fractions[index] * self._scale, index)

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

    def first(
        self, barred: int | None, latest: int | None, told: frozenset[int] | set[int]
    ) -> tuple[_Rank | None, _Rank | None]:
        """The next line that is none of these; and ``latest``, if it is in front of that."""
        heap, rounds, passed = self._heap, self._rounds, []
        found = late = None
        while heap:
            top = heap[0]
            if top.round != rounds.said[top.place]:
                heapreplace(heap, self._rank(top.place))
            elif top.place == barred or top.place == latest or top.place in told:
                passed.append(heappop(heap))
                if top.place != barred and top.place not in told:
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

    voices: tuple[tuple[str, tuple[_Queue, ...]], ...]

    def without(self, kinds: frozenset[str], *, disliked: bool, older_than_s: float) -> _Eligible:
        """Less the queues of these kinds, of what their voice dislikes, of what is too late."""
        voices = []
        for voice, queues in self.voices:
            kept = tuple(
                queue for queue in queues
                if not (queue.kind in kinds or (disliked and queue.disliked)
                        or queue.kin.example.within_s < older_than_s)
            )
            if kept:
                voices.append((voice, kept))
        return _Eligible(tuple(voices))


_NOBODY: frozenset[int] = frozenset()
_NO_KINDS: frozenset[str] = frozenset()
_ALLOWED = (("", True, True, True), ("once", False, True, True), ("character", False, False, True),
            ("cooldown", False, False, False))
"""What is still asked for, step by step: once a session, a voice's dislikes, kinds at rest."""


class EventRounds:
    """When each line of one event was last said, and the order of those to come."""

    def __init__(self, event: EventLines, seed: int, likings: Likings) -> None:
        self._name = event.name
        self._lines = event.lines
        self._seed = seed
        self._likings = likings
        self._index = {line.key: index for index, line in enumerate(event.lines)}
        heaviest = max((line.weight for line in event.lines), default=1.0) or 1.0
        self._weights = [line.weight / heaviest for line in event.lines]
        self.said = [0] * len(event.lines)
        self.fractions = [self._fraction(index, 0) for index in range(len(event.lines))]
        self._voice_rounds: dict[str, dict[int, int]] = {}
        self._last: int | None = None
        self._last_of: dict[str, int] = {}
        self._told: set[int] = set()
        self._kin: dict[tuple[object, ...], _Kin] = {}
        self._kin_of: dict[int, _Kin] = {}
        self._of_story: dict[str | None, list[_Kin]] = {None: []}
        self._plain = True
        for index, line in enumerate(event.lines):
            if line.weight > 0:
                self._add(index, line)
        self._deciding = tuple(dict.fromkeys(
            [slot for kin in self._kin.values() for condition in kin.example.when
             for slot in (condition.slot, condition.other) if slot is not None]
            + [slot for kin in self._kin.values()
               if (slot := voice_slot(kin.example.voice)) is not None]))
        self._remembered: dict[tuple[object, ...], _Eligible] = {}

    def _add(self, index: int, line: Line) -> None:
        key = (line.when, line.voice, line.kind, line.follows, line.within_s)
        kin = self._kin.get(key)
        if kin is None:
            kin = self._kin[key] = _Kin(line, [])
            self._of_story.setdefault(line.follows, []).append(kin)
        kin.members.append(index)
        self._kin_of[index] = kin
        self._plain = self._plain and line.kind is None

    def line(self, index: int) -> Line:
        return self._lines[index]

    def line_of(self, key: str) -> Line | None:
        """The line of that key, ``None`` when the event has none."""
        index = self._index.get(key)
        return None if index is None else self._lines[index]

    def liking(self, voice: str, kind: str | None) -> float:
        return 1.0 if kind is None else self._likings.get(voice, {}).get(kind, 1.0)

    def voice_round(self, index: int, voice: str) -> int:
        return self._voice_rounds.get(voice, {}).get(index, 0)

    def highest_round(self) -> int:
        return max(self.said, default=0)

    def recall(self, row: Spent, *, this_session: bool) -> bool:
        """Take over an earlier row; False when it says nothing about these lines.

        Only before the first choice: queues do not see it.
        """
        index = self._index.get(row.line_key)
        if index is None or not 0 < row.round < MAX_ROUND:
            return False
        # A keeper that stores no voice rounds leaves 0: the event's round orders them, too.
        voice_round = row.voice_round if 0 < row.voice_round < MAX_ROUND else row.round
        self._mark(index, row.voice, row.round, voice_round)
        if this_session and self._lines[index].of_a_story:
            self._told.add(index)
        return True

    def pick(
        self, slots: Mapping[str, SlotValue], default_voice: str, resting: Resting
    ) -> Pick:
        """The next line; changes nothing. Raises MessageRefused when no line fits the slots."""
        for begun, ago_s in resting.begun.items():
            if begun in self._of_story:
                among = self._eligible(slots, default_voice, begun)
                among = among.without(resting.kinds, disliked=True, older_than_s=ago_s)
                found = self._next(among, None, self._told)
                if found is not None:
                    return found
        among = self._eligible(slots, default_voice, None)
        if not among.voices:
            raise MessageRefused(f"no line of event {self._name!r} fits these slots.",
                                 where="slots", do="Add a line without conditions to the event.")
        for rule, once, likes, cool in _ALLOWED:
            kinds = resting.kinds if cool else _NO_KINDS
            left = among if self._plain else among.without(
                kinds, disliked=likes, older_than_s=0.0)
            told = self._told if once else _NOBODY
            # The line said last comes only when there is no other.
            found = self._next(left, self._last, told) or self._next(left, None, told)
            if found is not None:
                held = () if self._plain or not resting.kinds else self._held(among, resting.kinds)
                return Pick(found.index, found.voice, found.round, found.voice_round, rule, held)
        raise AssertionError("an eligible line is left once no rule of taste is asked for")

    def take(self, pick: Pick) -> None:
        """Note that a picked line is said."""
        before = self.voice_round(pick.index, pick.voice)
        self._mark(pick.index, pick.voice, pick.round, pick.voice_round)
        self._kin_of[pick.index].queues[pick.voice].moved(before, pick.voice_round)
        if self._lines[pick.index].of_a_story:
            self._told.add(pick.index)

    def forget_stories(self) -> None:
        """Another session: each line of a story may be said once more."""
        self._told.clear()

    def _held(self, among: _Eligible, kinds: frozenset[str]) -> tuple[str, ...]:
        return tuple(sorted({queue.kind for _, queues in among.voices for queue in queues
                             if queue.kind is not None and queue.kind in kinds}))

    def _next(
        self, among: _Eligible, barred: int | None, told: frozenset[int] | set[int]
    ) -> Pick | None:
        best: tuple[int, int, float, int] | None = None
        chosen: tuple[str, tuple[_Queue, ...]] = ("", ())
        for voice, queues in among.voices:
            several = len(queues) > 1 or queues[0].size > 1
            latest = self._last_of.get(voice) if several else None
            # Rounds of different voices compare by how far a line is behind its voice's others.
            base = 0
            if len(among.voices) > 1:
                base = min(low for queue in queues
                           if (low := queue.lowest(latest)) is not None)
            for queue in queues:
                found, late = queue.first(barred, latest, told)
                if found is not None:
                    rank = (found.round, found.voice_round - base, found.fraction, found.place)
                    if best is None or rank < best:
                        best, chosen = rank, (voice, queues)
                if late is not None:
                    rank = (late.round, _LAST_RESORT, late.fraction, late.place)
                    if best is None or rank < best:
                        best, chosen = rank, (voice, queues)
        if best is None:
            return None
        index, (voice, queues) = best[3], chosen
        highest = max(queue.kin.highest for _, found in among.voices for queue in found)
        voice_highest = max(queue.highest for queue in queues)
        said, voice_said = self.said[index], self.voice_round(index, voice)
        return Pick(index, voice,
                    round=highest if said < highest else said + 1,
                    voice_round=voice_highest if voice_said < voice_highest else voice_said + 1)

    def _mark(self, index: int, voice: str, round_: int, voice_round: int) -> None:
        self.said[index] = round_
        self.fractions[index] = self._fraction(index, round_)
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

    def _eligible(
        self, slots: Mapping[str, SlotValue], default_voice: str, begun: str | None
    ) -> _Eligible:
        key = (begun, default_voice, *[slots.get(name) for name in self._deciding])
        found = self._remembered.get(key)
        if found is None:
            if len(self._remembered) >= MOST_REMEMBERED:
                self._remembered.clear()
            found = self._remembered[key] = self._find_eligible(
                self._of_story[begun], slots, default_voice)
        return found

    def _find_eligible(
        self, kins: Iterable[_Kin], slots: Mapping[str, SlotValue], default_voice: str
    ) -> _Eligible:
        voices: dict[str, list[_Queue]] = {}
        for kin in kins:
            if not eligible(kin.example, slots):
                continue
            voice = voice_of(kin.example, slots, default_voice)
            queue = kin.queues.get(voice)
            if queue is None:
                queue = kin.queues[voice] = _Queue(kin, self, voice)
            voices.setdefault(voice, []).append(queue)
        return _Eligible(tuple((voice, tuple(queues)) for voice, queues in voices.items()))
