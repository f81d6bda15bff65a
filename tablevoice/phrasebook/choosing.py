"""Chooses which line is said for an event, so that none is heard twice too soon.

Each line carries the number of the last round in which it was said. A line of the
lowest round among the eligible ones comes first, so none comes back before all that
are eligible were said; within a round, weights decide the order. Pure: no clock, and
the seed and the rows of earlier sessions are passed in; the table calls it, and keeps
each row before the line sounds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from tablevoice.errors import MessageRefused
from tablevoice.model import EventLines, Line, Phrasebook, SlotValue
from tablevoice.nearest import advice
from tablevoice.phrasebook.slots import fill, holds, voice_of, voice_slot

MAX_ROUND = 2**31
"""A row beyond this is damage: two lines a second would take 34 years to come to it."""
MOST_REMEMBERED = 256
"""Combinations of slot values whose eligible lines are kept at hand, per event."""

_LAST_RESORT = 2**40
_Indices = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Spent:
    """A line that was said, as it is kept over restarts.

    Of the rows of one (event, voice, line_key) only the newest matters, so a table with
    that key stays small; rows must come back in the order in which they were written.
    ``round`` counts for the event, ``voice_round`` for the event and the voice.
    """

    event: str
    voice: str
    line_key: str
    round: int
    voice_round: int = 0


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

        Where no line has conditions, rows of lower rounds may be deleted, except the
        newest of each voice; with conditions, keep what :meth:`rows` gives.
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


@dataclass(frozen=True, slots=True)
class _Eligible:
    """Lines that may be said for some slot values: ``indices`` ascending, shape ``(n,)``.

    ``voices``: each speaking voice with the places in ``indices`` of its lines.
    """

    indices: _Indices
    voices: tuple[tuple[str, _Indices | None], ...]


class _EventRounds:
    """How often each line of one event was said, and the order of those to come.

    ``_progress`` (n,) holds a line's round plus a fraction in [0, 1) that orders it among
    its equals: the smallest comes next. The fraction is drawn anew for each round.
    """

    def __init__(self, event: EventLines, seed: int) -> None:
        self._name = event.name
        self._lines = event.lines
        self._seed = seed
        self._index = {line.key: index for index, line in enumerate(event.lines)}
        heaviest = max((line.weight for line in event.lines), default=1.0) or 1.0
        self._weights = [line.weight / heaviest for line in event.lines]
        self._progress = np.array(
            [self._fraction(index, 0) for index in range(len(event.lines))], dtype=np.float64)
        self._voice_rounds: dict[str, NDArray[np.int64]] = {}
        self._last: int | None = None
        self._last_of: dict[str, int] = {}
        # Lines that share their conditions are eligible together: each set is tested once.
        whens = list(dict.fromkeys(line.when for line in event.lines))
        voices = list(dict.fromkeys(line.voice for line in event.lines))
        self._whens, self._voices = whens, voices
        when_number = {when: number for number, when in enumerate(whens)}
        voice_number = {voice: number for number, voice in enumerate(voices)}
        self._when_of = np.array([when_number[line.when] for line in event.lines], dtype=np.intp)
        self._voice_of = np.array([voice_number[line.voice] for line in event.lines],
                                  dtype=np.intp)
        self._awake = np.array([line.weight > 0 for line in event.lines], dtype=np.bool_)
        self._deciding = tuple(dict.fromkeys(
            [condition.slot for when in whens for condition in when]
            + [slot for slot in map(voice_slot, voices) if slot is not None]))
        self._remembered: dict[tuple[object, ...], _Eligible] = {}

    def recall(self, row: Spent) -> bool:
        """Take over a row of an earlier session; False when it says nothing about this book."""
        index = self._index.get(row.line_key)
        if index is None or not 0 < row.round < MAX_ROUND:
            return False
        # A keeper that stores no voice rounds leaves 0: the event's round orders them, too.
        voice_round = row.voice_round if 0 < row.voice_round < MAX_ROUND else row.round
        self._mark(index, row.voice, row.round, voice_round)
        return True

    def highest_round(self) -> int:
        return int(self._progress.max()) if len(self._progress) else 0

    def choose(self, slots: Mapping[str, SlotValue], default_voice: str) -> Chosen:
        eligible = self._eligible(slots, default_voice)
        indices = eligible.indices
        if not len(indices):
            raise MessageRefused(f"no line of event {self._name!r} fits these slots.",
                                 where="slots", do="Add a line without conditions to the event.")
        progress = self._progress[indices]
        highest = int(progress.max())
        if self._last is not None and len(indices) > 1:
            place = int(np.searchsorted(indices, self._last))
            if place < len(indices) and indices[place] == self._last:
                progress[place] = np.inf
        place, voice, voice_highest = self._pick(eligible, progress)
        index = int(indices[place])
        line = self._lines[index]
        text = fill(line.text, slots)
        said = int(self._progress[index])
        voice_said = int(self._rounds_of(voice)[index])
        row = Spent(
            event=self._name,
            voice=voice,
            line_key=line.key,
            round=highest if said < highest else said + 1,
            voice_round=voice_highest if voice_said < voice_highest else voice_said + 1,
        )
        self._mark(index, voice, row.round, row.voice_round)
        return Chosen(line, voice, text, row)

    def _pick(self, eligible: _Eligible, progress: NDArray[np.float64]) -> tuple[int, str, int]:
        """Place of the line to say, its voice, and the highest round of that voice's lines."""
        best = int(progress.argmin())
        if len(eligible.voices) == 1:
            voice, _ = eligible.voices[0]
            behind, highest = self._behind(eligible.indices, voice)
            if behind[best] > 0:
                best = _first(progress, behind)
            return best, voice, highest
        behind = np.empty(len(progress), dtype=np.int64)
        highest_of = {}
        for voice, places in eligible.voices:
            behind[places], highest_of[voice] = self._behind(eligible.indices[places], voice)
        if behind[best] > 0:
            best = _first(progress, behind)
        voice = next(name for name, places in eligible.voices
                     if places is not None and best in places)
        return best, voice, highest_of[voice]

    def _behind(self, indices: _Indices, voice: str) -> tuple[NDArray[np.int64], int]:
        """For a voice's lines: 0 for those due by its own rounds, more for others; its highest."""
        rounds = self._rounds_of(voice)[indices]
        highest = int(rounds.max())
        last = self._last_of.get(voice)
        if last is not None and len(indices) > 1:
            place = int(np.searchsorted(indices, last))
            if place < len(indices) and indices[place] == last:
                rounds[place] = _LAST_RESORT
        rounds -= rounds.min()
        return rounds, highest

    def _mark(self, index: int, voice: str, round_: int, voice_round: int) -> None:
        self._progress[index] = round_ + self._fraction(index, round_)
        self._rounds_of(voice)[index] = voice_round
        self._last = index
        self._last_of[voice] = index

    def _rounds_of(self, voice: str) -> NDArray[np.int64]:
        rounds = self._voice_rounds.get(voice)
        if rounds is None:
            rounds = self._voice_rounds[voice] = np.zeros(len(self._lines), dtype=np.int64)
        return rounds

    def _fraction(self, index: int, round_: int) -> float:
        """Orders a line within a round: weighted sampling without replacement.

        Efraimidis and Spirakis, "Weighted random sampling with a reservoir" (2006): the
        order of -ln(u)/weight, u uniform, smallest first; squeezed into [0, 1). ``u`` comes
        from a hash, so that it is the same after a restart.
        """
        weight = self._weights[index]
        if weight <= 0:
            return 0.0
        name = repr((self._seed, self._name, self._lines[index].key, round_))
        digest = blake2b(name.encode(), digest_size=8).digest()
        uniform = (int.from_bytes(digest, "big") + 0.5) / 2.0**64
        wait = -math.log(uniform) / weight
        return min(wait / (1.0 + wait), 1.0 - 2.0**-20)

    def _eligible(self, slots: Mapping[str, SlotValue], default_voice: str) -> _Eligible:
        key = (default_voice, *[slots.get(name) for name in self._deciding])
        found = self._remembered.get(key)
        if found is None:
            if len(self._remembered) >= MOST_REMEMBERED:
                self._remembered.clear()
            found = self._remembered[key] = self._find_eligible(slots, default_voice)
        return found

    def _find_eligible(self, slots: Mapping[str, SlotValue], default_voice: str) -> _Eligible:
        met = np.array([
            all(condition.slot in slots and holds(condition, slots[condition.slot])
                for condition in when)
            for when in self._whens
        ], dtype=np.bool_)
        indices = np.flatnonzero(met[self._when_of] & self._awake)
        by_voice: dict[str, list[int]] = {}
        for number in np.unique(self._voice_of[indices]):
            example = self._lines[int(indices[self._voice_of[indices] == number][0])]
            by_voice.setdefault(voice_of(example, slots, default_voice), []).append(int(number))
        if len(by_voice) == 1:
            return _Eligible(indices, ((next(iter(by_voice)), None),))
        return _Eligible(indices, tuple(
            (voice, np.flatnonzero(np.isin(self._voice_of[indices], numbers)))
            for voice, numbers in by_voice.items()
        ))


def _first(progress: NDArray[np.float64], behind: NDArray[np.int64]) -> int:
    """Of the lines of the lowest round the one most due for its voice, then the next in order."""
    lowest = math.floor(float(progress.min()))
    places = np.flatnonzero(progress < lowest + 1)
    due = behind[places]
    places = places[due == due.min()]
    return int(places[progress[places].argmin()])
