"""A room full of other sound makes the ear doubt, by Bayes' rule and no further than said."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.listening.room_doubt import FREE, HALF_LIFE_S, MOST_NATS, RoomDoubt, doubted

CHANCES = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5)


def after(false_starts: int, every_s: float = 2.0) -> RoomDoubt:
    doubt = RoomDoubt()
    for number in range(false_starts):
        doubt.note(number * every_s, 1.0)
    return doubt


def test_a_quiet_room_and_a_few_false_starts_change_nothing() -> None:
    assert RoomDoubt().nats(5.0) == 0.0
    assert after(int(FREE)).nats(2.0) == 0.0


def test_what_was_surely_said_to_the_table_raises_no_doubt() -> None:
    doubt = RoomDoubt()
    for number in range(100):
        doubt.note(float(number), 0.0)
    assert doubt.nats(100.0) == 0.0


def test_many_false_starts_raise_it_to_a_bound_and_it_fades() -> None:
    nats = [after(count).nats(count * 2.0) for count in (0, 5, 10, 20)]
    assert nats == sorted(nats)
    assert nats[0] < nats[1] < nats[2]
    busy = after(500, every_s=0.5)
    assert busy.nats(250.0) == MOST_NATS
    later = [busy.nats(250.0 + wait) for wait in (0.0, 60.0, 120.0, 600.0)]
    assert later == sorted(later, reverse=True)
    assert later[-1] == 0.0


def test_it_fades_by_half_in_a_half_life() -> None:
    doubt = RoomDoubt()
    doubt.note(0.0, 1.0)
    doubt.note(0.0, 1.0)
    for _ in range(8):
        doubt.note(0.0, 1.0)
    assert doubt.nats(HALF_LIFE_S) == pytest.approx(math.log((5.0 + 1.0) / (FREE + 1.0)))


def test_a_clock_that_stands_still_or_goes_back_does_no_harm() -> None:
    doubt = after(10)
    assert doubt.nats(-50.0) == doubt.nats(18.0)


@given(CHANCES, st.floats(0.0, MOST_NATS))
def test_probabilities_follow_bayes_rule(weights: list[float], nats: float) -> None:
    total = sum(weights) or 1.0
    given_room = {str(at): 0.7 * w / total for at, w in enumerate(weights)}
    posterior = doubted(given_room, nats)
    # By hand: prior odds of "none of them" are exp(nats) times what was assumed.
    evidence = {**given_room, "": 1.0 - sum(given_room.values())}
    evidence[""] *= math.exp(nats)
    whole = sum(evidence.values())
    for phrase, chance in posterior.items():
        assert chance == pytest.approx(evidence[phrase] / whole, abs=1e-12)
        assert chance <= given_room[phrase] + 1e-12
    assert sum(posterior.values()) <= 1.0 + 1e-9
