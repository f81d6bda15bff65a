"""The rule of the intake: who goes first, who is refused, when the reader waits."""

from __future__ import annotations

import threading
import time

from tablevoice.errors import MessageRefused
from tablevoice.links.intake import LONGEST_WAIT_S, Intake
from tablevoice.links.messages import Close, EventReported, Ping
from tablevoice.model import Priority

PRIORITIES = {
    "chat": Priority.BANTER, "move": Priority.MOVE, "ask": Priority.QUESTION,
    "warn": Priority.WARNING,
}  # fmt: skip


def intake(most: int = 4) -> Intake:
    return Intake(PRIORITIES.get, lambda: None, most)


def event(event_id: str, name: str) -> EventReported:
    return EventReported(id=event_id, event=name)


def ids(items: list[object]) -> list[str]:
    return [getattr(item, "id", "") for item in items]


def refused_ids(refused: list[MessageRefused]) -> list[str | None]:
    return [one.message_id for one in refused]


def drained(of: Intake, *, crowded: bool = False) -> list[object]:
    found: list[object] = []
    while (item := of.urgent() or of.event(crowded=crowded)) is not None:
        found.append(item)
    return found


def test_events_keep_their_order_and_warnings_overtake_them() -> None:
    waiting = intake(10)
    for event_id, name in (("1", "move"), ("2", "chat"), ("3", "warn"), ("4", "ask")):
        waiting.put(event(event_id, name), 0.0)
    waiting.put(Ping(id="5"), 0.0)
    assert ids(drained(waiting)) == ["3", "5", "1", "2", "4"]
    assert len(waiting) == 0


def test_what_was_sent_before_a_close_is_taken_before_it() -> None:
    for crowded in (False, True):
        waiting = intake(10)
        for item in (event("1", "move"), Close(id="2"), event("3", "chat"), Ping(id="4")):
            waiting.put(item, 0.0)
        assert ids(drained(waiting, crowded=crowded)) == ["4", "1", "3", "2"]
        assert len(waiting) == 0


def test_a_crowded_table_takes_the_highest_priority_first() -> None:
    waiting = intake(10)
    for event_id, name in (("1", "chat"), ("2", "move"), ("3", "ask"), ("4", "move")):
        waiting.put(event(event_id, name), 0.0)
    assert ids(drained(waiting, crowded=True)) == ["3", "2", "4", "1"]


def test_the_oldest_of_the_lowest_priority_is_refused_with_one_error() -> None:
    waiting = intake(4)
    for number in range(3):
        waiting.put(event(f"c{number}", "chat"), 0.0)
    waiting.put(event("m", "move"), 0.0)
    waiting.put(event("a", "ask"), 0.0)
    waiting.put(event("w", "warn"), 0.0)
    refused = waiting.refusals()
    assert refused_ids(refused) == ["c0", "c1"]
    assert all(one.problem.what and one.problem.do for one in refused)
    assert waiting.refusals() == []
    assert ids(drained(waiting)) == ["w", "c2", "m", "a"]


def test_a_newcomer_of_the_lowest_priority_is_the_one_that_goes() -> None:
    waiting = intake(2)
    waiting.put(event("1", "move"), 0.0)
    waiting.put(event("2", "move"), 0.0)
    waiting.put(event("3", "chat"), 0.0)
    assert refused_ids(waiting.refusals()) == ["3"]


def test_what_has_waited_too_long_is_refused() -> None:
    waiting = intake()
    waiting.put(event("old", "ask"), 0.0)
    waiting.put(event("new", "chat"), 1.0)
    waiting.refuse_late(LONGEST_WAIT_S + 0.1)
    assert refused_ids(waiting.refusals()) == ["old"]
    assert ids(drained(waiting)) == ["new"]


def test_the_reader_waits_where_nothing_may_be_refused_and_goes_on_when_there_is_room() -> None:
    waiting = intake(2)
    waiting.put(event("w1", "warn"), 0.0)
    waiting.put(Ping(id="p1"), 0.0)
    putting = threading.Thread(target=waiting.put, args=(event("w2", "warn"), 0.0), daemon=True)
    putting.start()
    putting.join(0.2)
    assert putting.is_alive()
    assert ids([waiting.urgent()]) == ["w1"]
    putting.join(10.0)
    assert not putting.is_alive()
    assert ids(drained(waiting)) == ["p1", "w2"]


def test_twenty_thousand_from_another_thread_are_each_taken_or_refused_once() -> None:
    waiting = intake(64)
    names = ("chat", "chat", "move", "warn", "ask")
    total = 20_000

    def read() -> None:
        for number in range(total):
            waiting.put(event(str(number), names[number % len(names)]), 0.0)

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    seen: list[str | None] = []
    most, until_s = 0, time.monotonic() + 60.0
    while len(seen) < total and time.monotonic() < until_s:
        most = max(most, len(waiting))
        seen += refused_ids(waiting.refusals())
        seen += ids(drained(waiting))
    assert sorted(seen, key=lambda one: int(one or 0)) == [str(number) for number in range(total)]
    assert most <= 3 * 64  # those that wait, and refusals of two kinds that are not told yet
