"""The rules by which events are taken: once each, while they are worth it, whatever the clocks."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.errors import MessageRefused
from tablevoice.links import delivery
from tablevoice.links.delivery import Arrival, Ledger, SenderClocks, sent_ago_s
from tablevoice.links.messages import AnswerGiven, Done, ErrorReported, EventReported, Ping
from tablevoice.model import Event, Taken

NOW = datetime(2031, 4, 5, 16, 20, tzinfo=timezone.utc)


def done(event_id: str) -> Done:
    return Done(at_s=1.0, id=event_id, said="said")


def taken(ledger: Ledger, message: EventReported) -> list[Taken]:
    return ledger.take(Event(message.id, message.event, dict(message.slots)))


# --- twice ----------------------------------------------------------------------


def test_an_event_is_known_from_when_it_is_taken_and_told_again_when_it_is_over() -> None:
    ledger = Ledger()
    message = EventReported(id="mqtt/1", event="lit", slots={"lights": 3})
    assert not ledger.knows(message)
    taken(ledger, message)
    assert ledger.knows(message)
    assert ledger.outcome_of(message) is None
    ledger.settle(done("mqtt/1"))
    assert ledger.knows(message)
    assert ledger.outcome_of(message) == done("mqtt/1")
    later = message.model_copy(update={"sent_utc": "2031-04-05T16:20:00Z"})
    assert ledger.knows(later), "when it was sent is not what it says"


@pytest.mark.parametrize("other", [
    EventReported(id="1", event="lit", slots={"lights": 4}), EventReported(id="1", event="lit"),
    EventReported(id="1", event="win", slots={"lights": 3}),
])  # fmt: skip
@pytest.mark.parametrize("over", [False, True])
def test_other_contents_under_the_same_id_are_refused(other: EventReported, over: bool) -> None:
    ledger = Ledger()
    taken(ledger, EventReported(id="1", event="lit", slots={"lights": 3}))
    if over:
        ledger.settle(done("1"))
    with pytest.raises(MessageRefused, match="other contents"):
        ledger.knows(other)


def test_an_event_that_was_refused_is_told_so_again_and_may_be_put_right() -> None:
    ledger = Ledger(lasting=["mqtt"])
    message = EventReported(id="mqtt/1", event="ask")
    taken(ledger, message)
    (note,) = ledger.settle(ErrorReported(at_s=1.0, what="held", id="mqtt/1"), refused=True)
    assert note.refused
    assert ledger.knows(message)
    assert getattr(ledger.outcome_of(message), "what", "") == "held"
    other = EventReported(id="mqtt/1", event="lit")
    assert not ledger.knows(other)
    taken(ledger, other)
    ledger.settle(done("mqtt/1"))
    assert ledger.outcome_of(other) == done("mqtt/1")


def test_what_is_not_open_settles_nothing() -> None:
    assert Ledger(lasting=["mqtt"]).settle(done("mqtt/1")) == []


@given(st.lists(st.tuples(st.sampled_from(["send", "settle"]), st.integers(0, 9)), max_size=60))
def test_an_id_is_taken_once_however_often_it_comes(steps: list[tuple[str, int]]) -> None:
    ledger, taken_ids, over_ids = Ledger(), [], set()
    for step, number in steps:
        message = EventReported(id=f"mqtt/{number}", event="lit")
        if step == "send" and not ledger.knows(message):
            taken(ledger, message)
            taken_ids.append(message.id)
        elif step == "settle" and message.id in taken_ids:
            ledger.settle(done(message.id))
            over_ids.add(message.id)
        assert ledger.knows(message) == (message.id in taken_ids)
        assert (ledger.outcome_of(message) is not None) == (message.id in over_ids)
    assert len(taken_ids) == len(set(taken_ids))


def test_the_memory_is_bounded_and_never_lets_go_of_an_open_event() -> None:
    ledger = Ledger()
    taken(ledger, EventReported(id="open", event="ask"))
    for number in range(delivery.IDS_REMEMBERED + 10):
        taken(ledger, EventReported(id=str(number), event="lit"))
        ledger.settle(done(str(number)))
    assert ledger.knows(EventReported(id="open", event="ask"))
    assert not ledger.knows(EventReported(id="9", event="lit"))
    assert ledger.knows(EventReported(id="10", event="lit"))


def test_a_press_with_an_id_counts_once_and_one_without_each_time() -> None:
    ledger = Ledger()
    assert [ledger.pressed_before(press) for press in ("b1", "b1", None, None, "b2")] == [
        False, True, False, False, False,
    ]  # fmt: skip


# --- over a restart -------------------------------------------------------------


def test_only_doors_that_last_are_kept_for_a_later_session() -> None:
    ledger = Ledger(lasting=["mqtt"])
    assert taken(ledger, EventReported(id="1", event="lit")) == []
    assert taken(ledger, EventReported(id="modbus/1", event="lit")) == []
    assert taken(ledger, EventReported(id="mqtt/1", event="lit")) == [Taken(Event("mqtt/1", "lit"))]


@pytest.mark.parametrize("outcome", [
    done("mqtt/1"),
    AnswerGiven(at_s=2.0, id="mqtt/1", question="colour", value="teal", how="voice",
                certainty=0.9, tries=1),
])  # fmt: skip
def test_what_was_over_is_told_again_after_a_restart(outcome: Done | AnswerGiven) -> None:
    first = Ledger(lasting=["mqtt"])
    message = EventReported(id="mqtt/1", event="lit", slots={"arm": "Alder", "lights": 3})
    kept = [*taken(first, message), *first.settle(outcome)][-1:]
    again = Ledger(kept, lasting=["mqtt"])
    assert again.interrupted(0.0) == []
    assert again.outcome_of(message) == outcome


def test_what_was_open_is_reported_once_and_stays_taken() -> None:
    message = EventReported(id="mqtt/1", event="lit")
    kept = taken(Ledger(lasting=["mqtt"]), message)
    second = Ledger(kept, lasting=["mqtt"])
    (interrupted,) = second.interrupted(0.0)
    assert interrupted.id == "mqtt/1"
    (note,) = second.settle(interrupted)
    assert second.outcome_of(message) == interrupted
    third = Ledger([note], lasting=["mqtt"])
    assert third.interrupted(0.0) == []
    assert third.outcome_of(message) == interrupted


# --- late -----------------------------------------------------------------------


def test_the_age_of_an_event_is_by_its_senders_clock() -> None:
    sent = EventReported(id="1", event="lit", sent_utc="2031-04-05T18:19:58.5+02:00")
    assert sent_ago_s(sent, NOW) == pytest.approx(1.5)
    assert sent_ago_s(sent, NOW - timedelta(seconds=60)) == pytest.approx(-58.5)
    assert sent_ago_s(EventReported(id="1", event="lit"), NOW) is None
    assert sent_ago_s(Ping(id="1"), NOW) is None


def test_an_event_older_than_its_line_is_worth_is_refused_by_how_much() -> None:
    clocks = SenderClocks()
    assert clocks.age_s("mqtt/1", 7.5, 8.0, now_s=0.0) == (7.5, [])
    with pytest.raises(MessageRefused, match=r"2\.5 s too late: it was sent 10\.5 s ago"):
        clocks.age_s("mqtt/2", 10.5, 8.0, now_s=0.0)


def test_the_line_is_worth_what_is_left_of_both() -> None:
    clocks = SenderClocks()
    for arrival, left_s in (
        (Arrival(), 8.0), (Arrival(sent_ago_s=3.0), 5.0), (Arrival(worth_s=2.0), 2.0),
        (Arrival(sent_ago_s=7.0, worth_s=2.0), 1.0), (Arrival(sent_ago_s=-1.0), 8.0),
    ):  # fmt: skip
        left, problems = clocks.left_s("mqtt/1", arrival, 8.0, now_s=0.0)
        assert (left, problems) == (left_s, [])
    with pytest.raises(MessageRefused, match="expired on its way"):
        clocks.left_s("mqtt/1", Arrival(worth_s=0.0), 8.0, now_s=0.0)


def test_a_backlog_is_late_however_long_it_is() -> None:
    # A minute of events, one a second, that all arrive when the broker is back.
    clocks = SenderClocks()
    for number in range(60):
        with pytest.raises(MessageRefused, match="too late"):
            clocks.age_s(f"mqtt/{number}", 90.0 - number, 8.0, now_s=100.0 + number * 0.01)


def test_events_sent_at_once_that_arrive_at_once_are_late() -> None:
    clocks = SenderClocks()
    for number in range(20):
        with pytest.raises(MessageRefused, match="too late"):
            clocks.age_s(f"mqtt/{number}", 90.0, 8.0, now_s=100.0 + number * 0.01)


def test_a_clock_that_is_behind_does_not_mute_the_table_and_is_reported_once() -> None:
    clocks = SenderClocks()
    late = 0
    problems = []
    for number in range(20):
        try:
            age_s, seen = clocks.age_s(
                f"mqtt/{number}", 3600.0 + 0.1 * (number % 3), 8.0, now_s=5.0 * number)
        except MessageRefused:
            late += 1
        else:
            assert age_s == 0.0
            problems += seen
    assert late == delivery.AGES_THAT_AGREE - 1
    (problem,) = problems
    assert "3600 s behind" in problem.what
    assert problem.where == "mqtt"


def test_a_second_peer_whose_clock_is_right_does_not_hide_the_first() -> None:
    clocks = SenderClocks()
    taken_ids = []
    for number in range(8):
        for peer, ago_s in (("right", 0.05), ("wrong", 300.0)):
            try:
                clocks.age_s(f"mqtt/{peer}-{number}", ago_s, 8.0, now_s=4.0 * number)
            except MessageRefused:
                continue
            taken_ids.append(f"{peer}-{number}")
    assert [name for name in taken_ids if name.startswith("right")] == [
        f"right-{number}" for number in range(8)]
    assert [name for name in taken_ids if name.startswith("wrong")] == [
        f"wrong-{number}" for number in range(2, 8)]


@given(ahead_s=st.floats(0.001, 1e9), worth_s=st.floats(0.1, 3600))
def test_what_comes_from_the_future_was_sent_now(ahead_s: float, worth_s: float) -> None:
    clocks = SenderClocks()
    age_s, problems = clocks.age_s("mqtt/1", -ahead_s, worth_s, now_s=0.0)
    assert age_s == 0.0
    assert len(problems) == (1 if ahead_s > delivery.AHEAD_S else 0)
    assert clocks.age_s("mqtt/2", -ahead_s, worth_s, now_s=9.0) == (0.0, [])


@given(st.lists(st.tuples(st.floats(0, 10), st.floats(-1e6, 1e6)), max_size=60))
def test_any_ages_are_judged_and_nobody_is_taken_for_older_than_allowed(
    arrivals: list[tuple[float, float]],
) -> None:
    clocks, now_s = SenderClocks(), 0.0
    for number, (wait_s, ago_s) in enumerate(arrivals):
        now_s += wait_s
        try:
            age_s, _ = clocks.age_s(f"mqtt/{number}", ago_s, 8.0, now_s=now_s)
        except MessageRefused:
            assert ago_s > 8.0
        else:
            assert 0.0 <= age_s <= 8.0
