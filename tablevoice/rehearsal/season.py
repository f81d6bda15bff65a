"""A season of sessions, played with the real chooser alone: which lines come, and how often.

Knows expected uses and how long lines last; both are passed in, as is the seed. No sound, no
table, no file: 1,000 sessions take seconds. Called by ``tablevoice rehearse``.
"""

from __future__ import annotations

import heapq
import math
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from tablevoice.errors import MessageRefused
from tablevoice.model import EventLines, Line, Phrasebook, Priority, SlotValue
from tablevoice.phrasebook.choosing import Chooser, Chosen, Withheld

USES_WHERE_NOT_SAID = 1.0
WARNINGS_WHERE_NOT_SAID = 0.1
"""Uses of an event in a session where nobody said how often it is expected: a warning is rare."""
SESSION_S = 25 * 60.0
"""A table game of this kind runs about 25 minutes (common practice in the trade, no source)."""
PAUSE_S = 5 * 60.0
ANYTHING = "something"
"""Stands in for a slot that takes any text."""

DAY_MIN = 24 * 60


@dataclass(frozen=True, slots=True)
class Plan:
    """How a season runs. ``opens_min`` and ``closes_min``: minutes after midnight."""

    sessions: int
    seed: int = 1
    session_s: float = SESSION_S
    pause_s: float = PAUSE_S
    opens_min: int = 10 * 60
    closes_min: int = 18 * 60


@dataclass(slots=True)
class LineRecord:
    """What became of one line over a season; gaps are between one use and the next.

    ``gaps`` counts them in sessions, ``shortest_uses`` is the shortest in uses of its event.
    ``first_session`` counts from 1.
    """

    event: str
    line: Line
    uses: int = 0
    first_session: int | None = None
    shortest_uses: int | None = None
    talking_s: float = 0.0
    gaps: Counter[int] = field(default_factory=Counter)
    _last_session: int = field(default=0, repr=False)
    _last_use: int = field(default=0, repr=False)

    @property
    def shortest_sessions(self) -> int | None:
        """The fewest sessions between two uses; 0 is twice in one, ``None`` no repeat."""
        return min(self.gaps, default=None)

    def said(self, session: int, use: int, lasted_s: float) -> None:
        """It was said in that session, as that use of its event."""
        if self.uses:
            self.gaps[session - self._last_session] += 1
            self.shortest_uses = _least(self.shortest_uses, use - self._last_use)
        else:
            self.first_session = session
        self.uses += 1
        self.talking_s += lasted_s
        self._last_session, self._last_use = session, use


@dataclass(slots=True)
class Season:
    """What a season came to. ``held_back``: how often the cooldown of a kind kept a line back.

    ``gave_way`` and ``withheld`` count rules of taste: those that gave way so that a line came,
    and those for whose sake none did. ``measured`` is the share of the talking time that is
    known from prepared lines; the rest is estimated.
    """

    plan: Plan
    title: str
    expected: Mapping[str, float]
    assumed: tuple[str, ...]
    lines: list[LineRecord]
    events: Counter[str] = field(default_factory=Counter)
    held_back: Counter[str] = field(default_factory=Counter)
    gave_way: Counter[str] = field(default_factory=Counter)
    withheld: Counter[str] = field(default_factory=Counter)
    talking_s: float = 0.0
    measured_s: float = 0.0

    @property
    def talking(self) -> float:
        """The share of the sessions' time that is spent talking."""
        return self.talking_s / (self.plan.sessions * self.plan.session_s)

    @property
    def measured(self) -> float:
        return self.measured_s / self.talking_s if self.talking_s else 1.0


Lasts = Callable[[str, str], tuple[float, bool]]
"""How long a text lasts in a voice, in seconds, and whether that was measured."""


def simulate(
    book: Phrasebook,
    plan: Plan,
    uses: Mapping[str, float],
    default_voice: str,
    lasts: Lasts,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Season:
    """Play ``plan``: events at random times of each session, slots drawn from known values.

    ``uses``: how often each event is expected in a session; 2.3 is twice, and a third time in
    three sessions of ten. Sessions follow one another within opening hours. The same plan and
    phrasebook give the same season.
    """
    expected = {name: uses.get(name, _assumed(event)) for name, event in book.events.items()}
    records = {
        (name, line.key): LineRecord(name, line)
        for name, event in book.events.items()
        for line in event.lines
    }
    season = Season(
        plan,
        book.title,
        expected,
        tuple(name for name in book.events if name not in uses),
        list(records.values()),
    )
    drawn = random.Random(plan.seed)
    chooser = Chooser(book, plan.seed)
    for session, (began_s, clock_min) in enumerate(_starts(plan), 1):
        chooser.begin_session(session)
        for after_s, name in _session(book, expected, plan.session_s, drawn):
            event = book.events[name]
            slots = {slot: _value(book, slot, drawn) for slot in event.slots}
            season.events[name] += 1
            chosen = _choose(
                chooser,
                event,
                slots,
                default_voice,
                began_s + after_s,
                (clock_min + after_s / 60.0) % DAY_MIN,
            )
            if isinstance(chosen, Withheld):
                season.withheld[chosen.why] += 1
                season.held_back.update(chosen.held_back)
                continue
            lasted_s, measured = lasts(chosen.text, chosen.voice)
            records[name, chosen.line.key].said(session, season.events[name], lasted_s)
            season.talking_s += lasted_s
            season.measured_s += lasted_s if measured else 0.0
            season.held_back.update(chosen.held_back)
            if chosen.note:
                season.gave_way[chosen.note] += 1
        progress(session, plan.sessions)
    return season


def why_never(record: LineRecord, season: Season) -> str:
    """Why a line was never said, as far as the season shows it."""
    line = record.line
    if line.weight == 0:
        return "rests: its weight is 0"
    if not season.events[record.event]:
        return "its event never came"
    if line.follows is not None:
        return "the line that it follows never came just before"
    if line.when:
        return "its conditions held too seldom, or others came first"
    return "others came first: the season was too short for all lines"


def _assumed(event: EventLines) -> float:
    warns = event.priority is Priority.WARNING
    return WARNINGS_WHERE_NOT_SAID if warns else USES_WHERE_NOT_SAID


def _choose(
    chooser: Chooser,
    event: EventLines,
    slots: Mapping[str, SlotValue],
    default_voice: str,
    now_s: float,
    clock_min: float,
) -> Chosen | Withheld:
    try:
        if event.asks is not None:
            return chooser.choose(event.name, slots, default_voice, now_s)
        return chooser.choose_if_fit(event.name, slots, default_voice, now_s, clock_min)
    except MessageRefused as refused:
        return Withheld(refused.problem.what)


def _session(
    book: Phrasebook, expected: Mapping[str, float], session_s: float, drawn: random.Random
) -> list[tuple[float, str]]:
    """The events of one session by time, in seconds after its begin."""
    found: list[tuple[float, str]] = []
    for name in book.events:
        whole = math.floor(expected[name])
        times = whole + (drawn.random() < expected[name] - whole)
        for _ in range(times):
            heapq.heappush(found, (drawn.random() * session_s, name))
    return [heapq.heappop(found) for _ in range(len(found))]


def _starts(plan: Plan) -> list[tuple[float, float]]:
    """When each session begins: seconds since the first, minutes after midnight."""
    starts: list[tuple[float, float]] = []
    day, clock_min = 0, float(plan.opens_min)
    length_min, pause_min = plan.session_s / 60.0, plan.pause_s / 60.0
    for _ in range(plan.sessions):
        if starts and clock_min + length_min > plan.closes_min and clock_min > plan.opens_min:
            day, clock_min = day + 1, float(plan.opens_min)
        starts.append(((day * DAY_MIN + clock_min - plan.opens_min) * 60.0, clock_min % DAY_MIN))
        clock_min += length_min + pause_min
    return starts


def _value(book: Phrasebook, slot: str, drawn: random.Random) -> SlotValue:
    known = book.slot_values.get(slot)
    return drawn.choice(known) if known else ANYTHING


def _least(before: int | None, now: int) -> int:
    return now if before is None else min(before, now)
