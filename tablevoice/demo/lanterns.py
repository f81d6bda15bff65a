"""The lantern table's controller: the rules, and what it reports to tablevoice.

Pure: the basket is passed in, and time is only the pauses that an arm's move
takes. :func:`evening` is a generator. It yields :class:`Report` (an event for the
table) and is sent the :class:`Outcome` of each, the way a controller program waits
for its answer. It knows nothing of audio, words or recognisers.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence

from tablevoice.model import SlotValue
from tablevoice.rehearsal.controller import Outcome, Play, Report

ALDER, BRIAR, VISITOR = "Alder", "Briar", "visitor"
SEATS = (ALDER, BRIAR, VISITOR)
LIGHTS_TO_WIN = 5
MOTH = "moth"


def evening(lights: Mapping[str, int], basket: Sequence[str], colours: Mapping[str, str]) -> Play:
    """Play from the given ``lights`` on each seat's string until one string has five.

    ``basket``: lanterns (colour names or ``moth``) in the order they are drawn; it is
    gone through again when empty. ``colours``: the colour that each arm calls. The
    visitor calls the last colour of every round aloud.
    """
    strings = {seat: lights[seat] for seat in SEATS}
    lanterns = _endless(basket)
    yield Report("greeting")
    while True:
        for caller in SEATS:
            called = yield from _call(caller, strings, colours)
            for seat in SEATS:
                yield from _draw(seat, next(lanterns), called, strings)
                if strings[seat] == LIGHTS_TO_WIN:
                    yield from _win(seat)
                    return


def _call(
    caller: str, strings: Mapping[str, int], colours: Mapping[str, str]
) -> Generator[Report, Outcome, str]:
    if caller == VISITOR:
        outcome = yield Report("colour_asked", {"lights": strings[VISITOR]})
        if outcome.answer is not None:
            yield Report("colour_heard", {"colour": outcome.answer})
            return outcome.answer
        caller = ALDER  # nobody answered: an arm calls, and the game goes on
    colour = colours[caller]
    yield Report("colour_declared", {"arm": caller, "colour": colour})
    return colour


def _draw(
    seat: str, lantern: str, called: str, strings: dict[str, int]
) -> Generator[Report, Outcome, None]:
    suffix = "_visitor" if seat == VISITOR else ""
    arm: dict[str, SlotValue] = {} if seat == VISITOR else {"arm": seat}
    if seat == VISITOR:
        yield Report("draw_visitor")
    if lantern == MOTH:
        strings[seat] = max(0, strings[seat] - 1)
        yield Report(f"moth{suffix}", arm, after_s=1.0)
    elif lantern != called:
        yield Report(f"dull{suffix}", {**arm, "colour": lantern}, after_s=1.0)
    else:
        strings[seat] += 1
        if strings[seat] < LIGHTS_TO_WIN:
            lit = {**arm, "colour": lantern, "lights": strings[seat]}
            yield Report(f"lit{suffix}", lit, after_s=1.0)


def _win(seat: str) -> Generator[Report, Outcome, None]:
    if seat == VISITOR:
        yield Report("win_visitor", after_s=1.0)
    else:
        yield Report("win", {"arm": seat}, after_s=1.0)
    yield Report("good_bye")


def _endless(basket: Sequence[str]) -> Iterator[str]:
    if not basket:
        raise ValueError("the basket needs at least one lantern")
    while True:
        yield from basket
