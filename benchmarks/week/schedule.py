"""What happens in the week: sessions of play by day, nights, and what is broken when.

Times are seconds of the week. Knows nothing of how anything is done.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

HOUR_S = 3_600.0
DAY_S = 24 * HOUR_S
WEEK_S = 7 * DAY_S
OPEN_S = 14 * HOUR_S
"""Each day begins with the opening, at eight, say; the night is its end."""

SESSION_S, BREAK_S = 25 * 60.0, 5 * 60.0
"""Common practice: a table game of this kind runs about 25 minutes."""

EVENT_EVERY_S = 10.0
QUESTION_SHARE, SPOKEN_SHARE = 0.15, 0.5
"""Every seventh event asks; half of these are answered by voice, the others by a button."""

WORDS = ("teal", "violet")
FAULTS = ("engine stopped", "engine killed", "history locked", "lines deleted", "garbage",
          "controller asleep", "flood", "loudspeaker lost", "microphone lost",
          "recogniser fails", "clock set")  # fmt: skip
FAULT_EVERY_S = 2 * HOUR_S


@dataclass(frozen=True, slots=True)
class Happening:
    """``kind``: event, ask, or fault; ``what`` is its name; ``word`` answers, spoken or pressed."""

    at_s: float
    kind: str
    what: str
    word: str = ""
    spoken: bool = False


def happenings(seed: int, until_s: float = WEEK_S) -> Iterator[Happening]:
    """The week in order of time."""
    chance = random.Random(seed)
    found = [*_play(chance, until_s), *_faults(chance, until_s)]
    yield from sorted(found, key=lambda one: one.at_s)


def _play(chance: random.Random, until_s: float) -> Iterator[Happening]:
    day_s = 0.0
    while day_s < until_s:
        session_s = day_s
        while session_s + SESSION_S <= min(until_s, day_s + OPEN_S):
            at_s = session_s
            while (at_s := at_s + chance.expovariate(1 / EVENT_EVERY_S)) < session_s + SESSION_S:
                yield _event(chance, at_s)
            session_s += SESSION_S + BREAK_S
        day_s += DAY_S


def _event(chance: random.Random, at_s: float) -> Happening:
    if chance.random() < QUESTION_SHARE:
        spoken = chance.random() < SPOKEN_SHARE
        return Happening(at_s, "ask", "colour_asked", chance.choice(WORDS), spoken)
    what = chance.choices(("hello", "story", "remark", "caution"), (6, 2, 1, 0.3))[0]
    return Happening(at_s, "event", what)


def _faults(chance: random.Random, until_s: float) -> Iterator[Happening]:
    """One after another in a mixed order, day and night, so that each comes equally often."""
    at_s = 0.0
    while True:
        for what in chance.sample(FAULTS, len(FAULTS)):
            at_s += chance.uniform(0.5, 1.5) * FAULT_EVERY_S
            if at_s >= until_s:
                return
            yield Happening(at_s, "fault", what)
