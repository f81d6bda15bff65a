"""Every reachable state of the latch, counted out: no way to a permit but through a reset press.

The function that runs in the guard is enumerated itself, not a model of it. Time goes in
ticks; two states that differ only in ages beyond every limit behave alike and are taken as
one, which makes the set finite. A watchman that sees nothing but the raw samples walks along
in each state and says whether a whole press was seen since anything was last wrong.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace
from enum import IntEnum

import pytest

from tablevoice.guard.latch import (
    InputRule,
    Latched,
    Level,
    Reset,
    Rules,
    State,
    power_up,
    step,
)

DEBOUNCE, SHORTEST, LONGEST, RESET_DEBOUNCE, GAP = 2, 1, 3, 1, 2
OLDEST_EDGE = RESET_DEBOUNCE + GAP + 1
OLDEST_CLOSED = OLDEST_EDGE + DEBOUNCE
OLDEST_PRESS = LONGEST + RESET_DEBOUNCE + GAP + 1


class Watchman(IntEnum):
    """What the raw samples have shown since something was last wrong."""

    NOTHING = 0
    REST = 1
    PRESSED_AFTER_REST = 2
    WHOLE_PRESS = 3


def rules(clears_by_itself: bool) -> Rules:
    return Rules(
        inputs=(
            InputRule("stop"),
            InputRule("curtain", protective=True, clears_by_itself=clears_by_itself),
        ),
        debounce_ns=DEBOUNCE,
        press_shortest_ns=SHORTEST,
        press_longest_ns=LONGEST,
        reset_debounce_ns=RESET_DEBOUNCE,
        longest_gap_ns=GAP,
    )


def watch(watchman: Watchman, good: bool, reset: Reset) -> Watchman:
    if reset is Reset.UNREADABLE:
        return Watchman.NOTHING
    if not good:
        # A contact seen at rest is known to let go, but no press counts from before.
        return Watchman.REST if reset is Reset.REST else Watchman.NOTHING
    if reset is Reset.PRESSED:
        return Watchman.NOTHING if watchman is Watchman.NOTHING else Watchman.PRESSED_AFTER_REST
    if watchman >= Watchman.PRESSED_AFTER_REST:
        return Watchman.WHOLE_PRESS
    return Watchman.REST


def same_age(state: State) -> State:
    """The state moved to time 0, with ages cut where no limit can tell them apart."""
    now = state.last_ns

    def cut(since: int | None, oldest: int) -> int | None:
        return None if since is None else -min(now - since, oldest)

    edge = cut(state.raw_reset_since_ns, OLDEST_EDGE)
    assert edge is not None
    # Causes are names for people; the latch looks at them for what to record, no more. Those
    # of a hold are kept for the check of what may clear by itself.
    return replace(
        state,
        last_ns=0,
        causes=tuple(sorted(state.causes)) if state.may_clear_by_itself else (),
        closed_since_ns=cut(state.closed_since_ns, OLDEST_CLOSED),
        raw_reset_since_ns=edge,
        pressed_at_ns=cut(state.pressed_at_ns, OLDEST_PRESS),
    )


LEVELS = (Level.CLOSED, Level.OPEN, Level.UNREADABLE)
"""LATE and NONSENSE are UNREADABLE to the latch: test_latch.py has all of them."""


SAMPLES = list(
    itertools.product(itertools.product(LEVELS, LEVELS), Reset, (None, "pause"), (1, 2, 3))
)


@functools.cache
def walk(clears_by_itself: bool) -> tuple[set[State], int, int]:
    """Visit every reachable state, checking each step; the states and both ways of arming."""
    used = rules(clears_by_itself)
    start = (same_age(power_up(0)), Watchman.NOTHING)
    reached = {start}
    waiting = [start]
    by_press = by_itself = 0
    while waiting:
        state, watchman = waiting.pop()
        for levels, reset, hold, ticks in SAMPLES:
            after, _ = step(used, state, levels, reset, hold, ticks)
            good = levels == (Level.CLOSED, Level.CLOSED) and hold is None and ticks <= GAP
            seen = watch(watchman, good, reset)
            assert good or not after.permit, (state, levels, reset, hold, ticks)
            if after.permit and not state.permit:
                if clears_by_itself and state.latched is Latched.HOLD and seen is Watchman.REST:
                    by_itself += 1
                    assert state.causes == ("curtain",)
                    assert state.reset is Reset.REST
                else:
                    by_press += 1
                    assert seen is Watchman.WHOLE_PRESS, (state, levels, reset, hold, ticks)
            if state.latched > after.latched:
                assert after.permit, "a latch never gets weaker without being cleared"
            if after.permit:  # the press is used up
                seen = min(seen, Watchman.REST)
            fresh = (same_age(after), seen)
            if fresh not in reached:
                reached.add(fresh)
                waiting.append(fresh)
    return {state for state, _ in reached}, by_press, by_itself


@pytest.mark.parametrize("clears_by_itself", [False, True])
def test_no_reachable_state_breaks_the_promise(clears_by_itself: bool) -> None:
    states, by_press, by_itself = walk(clears_by_itself)
    # The walk went everywhere, and the permit can be reached at all.
    assert len(states) > 200
    assert by_press > 0
    assert (by_itself > 0) is clears_by_itself


def test_cutting_ages_changes_no_answer() -> None:
    """Reachable states made older beyond the cut answer every sample alike: nothing is lost."""
    used = rules(True)
    states, _, _ = walk(True)
    made_older = 0
    for state in states:
        older = replace(
            state,
            raw_reset_since_ns=older_if_cut(state.raw_reset_since_ns, OLDEST_EDGE),
            closed_since_ns=None
            if state.closed_since_ns is None
            else older_if_cut(state.closed_since_ns, OLDEST_CLOSED),
            pressed_at_ns=None
            if state.pressed_at_ns is None
            else older_if_cut(state.pressed_at_ns, OLDEST_PRESS),
        )
        if older == state:
            continue
        made_older += 1
        for levels, reset, hold, ticks in SAMPLES:
            after, happened = step(used, state, levels, reset, hold, ticks)
            later, also_happened = step(used, older, levels, reset, hold, ticks)
            assert same_age(after) == same_age(later)
            assert [one.kind for one in happened] == [one.kind for one in also_happened]
    assert made_older > 100


def older_if_cut(since_ns: int, oldest: int) -> int:
    return since_ns - 1_000 if since_ns == -oldest else since_ns
