"""The table's side of delivery: a duplicate says nothing, a late line is not begun, a restart."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.actions import Action, Send, TakeDown
from tablevoice.cell import ListeningChoice
from tablevoice.history import History
from tablevoice.links import messages
from tablevoice.links.delivery import Arrival, Ledger
from tablevoice.model import Phrasebook, Taken
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.table import Table
from tests.test_table import BOOK, Driver


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    path = tmp_path_factory.mktemp("book") / "small.yaml"
    path.write_text(BOOK, encoding="utf-8")
    return load_phrasebook([path])


class LastingDriver(Driver):
    """Keeps what is to outlive a restart; ``restarted`` is the table after one."""

    def __init__(self, book: Phrasebook, past: tuple[Taken, ...] = ()) -> None:
        super().__init__(book)
        self.book = book
        self.kept = {taken.event.id: taken for taken in past}
        self.table = Table(
            "small", book, Chooser(book, 7), default_voice="Alder",
            thresholds=ListeningChoice(), ledger=Ledger(past, ["mqtt"]),
        )  # fmt: skip
        self.told_again: list[str] = []
        self.carry_out(self.table.opened("1", 0.0))

    def carry_out(self, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, TakeDown):
                self.kept[action.taken.event.id] = action.taken
                if action.taken.refused:
                    del self.kept[action.taken.event.id]
            elif isinstance(action, Send) and action.again:
                self.told_again.append(getattr(action.message, "id", ""))
        super().carry_out([a for a in actions if not (isinstance(a, Send) and a.again)])

    def restarted(self) -> LastingDriver:
        return LastingDriver(self.book, tuple(self.kept.values()))

    def lines_of(self, event_id: str) -> list[str]:
        return [m.said for m in self.sent if isinstance(m, messages.Said) and m.id == event_id]


MOVE = messages.EventReported(id="mqtt/1", event="move")


def test_a_duplicate_says_nothing_while_open_and_tells_the_outcome_when_over(
    book: Phrasebook,
) -> None:
    driver = LastingDriver(book)
    driver.receive(MOVE)
    driver.receive(MOVE)
    assert driver.told_again == []
    driver.pass_time(5.0)
    driver.receive(MOVE)
    driver.receive(MOVE)
    driver.pass_time(5.0)
    assert driver.lines_of("mqtt/1") == ["said"]
    assert driver.answers() == Counter({"mqtt/1": 1})
    assert driver.told_again == ["mqtt/1", "mqtt/1"]


def test_other_contents_are_refused_and_the_first_stands(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    driver.receive(MOVE)
    driver.receive(messages.EventReported(id="mqtt/1", event="chat"))
    driver.pass_time(5.0)
    kinds = [m.type for m in driver.sent if getattr(m, "id", None) == "mqtt/1"]
    assert kinds == ["error", "said", "done"]


def test_a_closing_table_still_tells_what_became_of_an_event(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    driver.receive(MOVE)
    driver.receive(messages.Close())
    driver.receive(MOVE)
    assert driver.told_again == ["mqtt/1"]


def test_an_event_refused_in_a_hold_stays_refused_under_its_id(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    driver.hear("pause", 0.95)
    ask = messages.EventReported(id="mqtt/1", event="ask")
    driver.receive(ask)
    driver.receive(messages.HoldClearedReported())
    driver.receive(ask)
    assert driver.answers() == Counter({"mqtt/1": 1})
    assert driver.told_again == ["mqtt/1"]
    assert driver.kept == {}
    driver.receive(messages.EventReported(id="mqtt/2", event="ask"))
    driver.pass_time(2.0)
    driver.receive(messages.ButtonPressed(button="teal"))
    assert isinstance(driver.sent[-1], messages.AnswerGiven)


def test_a_press_that_comes_twice_answers_one_question(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    press = messages.ButtonPressed(button="teal", id="b1")
    driver.ask()
    driver.receive(press)
    driver.ask()
    driver.receive(press)
    assert driver.answers() == Counter({"e1": 1})


def test_a_late_event_has_less_time_left_for_its_line(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    chat = messages.EventReported(id="mqtt/2", event="chat")  # worth 3 s; MOVE's line takes 1 s
    driver.receive(MOVE)
    driver.carry_out(driver.table.receive(chat, driver.now_s, Arrival(sent_ago_s=2.5)))
    driver.pass_time(5.0)
    assert driver.lines_of("mqtt/2") == ["expired"]


def test_a_message_expiry_bounds_what_a_line_is_worth(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    driver.receive(MOVE)
    chat = messages.EventReported(id="mqtt/2", event="chat")
    driver.carry_out(driver.table.receive(chat, driver.now_s, Arrival(worth_s=0.5)))
    driver.pass_time(5.0)
    assert driver.lines_of("mqtt/2") == ["expired"]


def test_a_stale_event_is_refused_and_stays_so(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    chat = messages.EventReported(id="mqtt/2", event="chat")
    driver.carry_out(driver.table.receive(chat, driver.now_s, Arrival(sent_ago_s=60.0)))
    (error,) = [m for m in driver.sent if isinstance(m, messages.ErrorReported)]
    assert error.id == "mqtt/2"
    assert "57.0 s too late" in error.what
    assert driver.kept == {}
    driver.receive(chat)
    driver.pass_time(2.0)
    assert driver.lines_of("mqtt/2") == []
    assert driver.told_again == ["mqtt/2"]


def test_a_wrong_clock_is_reported_without_an_id(book: Phrasebook) -> None:
    driver = LastingDriver(book)
    for number in range(3):
        event = messages.EventReported(id=f"mqtt/{number}", event="move")
        driver.carry_out(driver.table.receive(event, driver.now_s, Arrival(sent_ago_s=-900.0)))
        driver.pass_time(4.0)
    (error,) = [m for m in driver.sent if isinstance(m, messages.ErrorReported)]
    assert error.id is None
    assert "900 s ahead" in error.what
    assert driver.answers() == Counter({f"mqtt/{number}": 1 for number in range(3)})


ARRIVALS = st.lists(
    st.tuples(
        st.integers(0, 6),
        st.sampled_from(["chat", "move", "ask", "nonsense"]),
        st.sampled_from([0.0, 0.4, 2.0, 15.0]),
        st.sampled_from(["", "restart"]),
    ),
    max_size=25,
)


@settings(max_examples=200, deadline=None)
@given(ARRIVALS)
def test_whatever_comes_twice_over_restarts_is_said_and_answered_once(
    book: Phrasebook, arrivals: list[tuple[int, str, float, str]]
) -> None:
    driver = LastingDriver(book)
    sounded: Counter[str] = Counter()
    over: Counter[str] = Counter()
    refused: set[str | None] = set()

    def count(driver: LastingDriver) -> None:
        for message in driver.sent:
            if isinstance(message, messages.Said) and message.start_s is not None:
                sounded[message.id] += message.event in ("chat", "move", "ask")
            elif isinstance(message, (messages.AnswerGiven, messages.Done)):
                over[message.id] += 1
            elif isinstance(message, messages.ErrorReported):
                if "stopped while" in message.what:
                    over[message.id or ""] += 1
                else:
                    refused.add(message.id)

    for number, event, wait_s, then in arrivals:
        # Each id has one event, as an honest sender sends it.
        name = f"mqtt/{number}-{event}"
        driver.receive(messages.EventReported(id=name, event=event))
        driver.pass_time(wait_s)
        if then:
            count(driver)
            driver = driver.restarted()
    driver.pass_time(600.0)
    count(driver)
    assert all(times == 1 for times in over.values())
    assert all(times <= 1 for times in sounded.values())
    for number, event, *_ in arrivals:
        name = f"mqtt/{number}-{event}"
        assert (name in over) or (name in refused)


def test_the_history_keeps_what_is_taken_over_a_pulled_plug(
    book: Phrasebook, tmp_path: Path
) -> None:
    path = tmp_path / "history.sqlite"
    driver = LastingDriver(book)
    driver.receive(MOVE)
    driver.pass_time(5.0)
    driver.receive(messages.EventReported(id="mqtt/2", event="ask"))
    history = History(path)
    history.begin_session("small", "1")
    for taken in driver.kept.values():
        history.take_down(taken)
    history.close()  # without an end of the session
    with History(path) as after:
        assert {taken.event.id: bool(taken.outcome) for taken in after.taken()} == {
            "mqtt/1": True, "mqtt/2": False,
        }  # fmt: skip
        again = LastingDriver(book, after.taken())
    (error,) = [m for m in again.sent if isinstance(m, messages.ErrorReported)]
    assert error.id == "mqtt/2"
    again.receive(MOVE)
    assert again.told_again == ["mqtt/1"]
    assert again.lines_of("mqtt/1") == []
