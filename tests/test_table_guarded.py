"""The table under a stop guard: silent on a trip, deaf to questions until armed, never clearing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.actions import Action, AskHold, CutShort
from tablevoice.cell import ListeningChoice
from tablevoice.links import messages
from tablevoice.model import GuardView, Phrasebook
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.table import Table
from tests.test_table import BOOK, STEPS, Driver, play

GUARDED_BOOK = (
    BOOK.replace(
        "events:\n",
        "events:\n"
        "  tripped: {about: Trip., priority: warning, lines: [Stopped. Reset at the machine.]}\n"
        "  ready: {about: Armed., priority: warning, lines: [Going on.]}\n"
        "  untested: {about: Not proven., priority: warning, lines: [The guard needs testing.]}\n",
    )
    + "stop_guard: {tripped: tripped, armed: ready, not_proven: untested, silent: tripped}\n"
)
ARMED = GuardView("permitted", permit=True, proven=True)
TRIPPED = GuardView(
    "tripped", permit=False, proven=True, why="Stopped. Reset at the machine.", causes=("stop",)
)
UNPROVEN = GuardView(
    "permitted", permit=True, proven=False, why_not_proven="stop was never seen pressed"
)
HELD_BY_WORD = GuardView("held", permit=False, proven=True, why="Held.", causes=("asked: pause",))
SILENT = GuardView("silent", permit=False, proven=False, why="The stop guard does not answer.")


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    path = tmp_path_factory.mktemp("book") / "guarded.yaml"
    path.write_text(GUARDED_BOOK, encoding="utf-8")
    return load_phrasebook([path])


class GuardedDriver(Driver):
    """A driver whose table stands under a guard; the holds it asked for are listed."""

    def __init__(self, book: Phrasebook) -> None:
        super().__init__(book)
        self.table = Table(
            "small", book, Chooser(book, 7), default_voice="Alder",
            thresholds=ListeningChoice(), guarded=True,
        )  # fmt: skip
        self.holds: list[str] = []

    def carry_out(self, actions: list[Action]) -> None:
        self.holds += [action.kind for action in actions if isinstance(action, AskHold)]
        super().carry_out([action for action in actions if not isinstance(action, AskHold)])

    def see(self, view: GuardView) -> None:
        self.carry_out(self.table.guard_changed(view, self.now_s))

    def errors(self) -> list[messages.ErrorReported]:
        return [m for m in self.sent if isinstance(m, messages.ErrorReported)]

    def lines(self) -> list[str]:
        return [m.event for m in self.sent if isinstance(m, messages.Said) and m.said == "said"]


def armed(book: Phrasebook) -> GuardedDriver:
    driver = GuardedDriver(book)
    driver.see(ARMED)
    return driver


def test_nothing_is_said_or_asked_before_the_guard_was_seen(book: Phrasebook) -> None:
    driver = GuardedDriver(book)
    driver.report("move")
    driver.report("ask")
    assert [error.id for error in driver.errors()] == ["e1", "e2"]
    assert "stop guard" in driver.errors()[0].what
    driver.see(ARMED)
    driver.report("move")
    driver.pass_time(5)
    assert driver.lines() == ["move"]


def test_an_unproven_guard_keeps_the_table_shut_and_it_says_why(book: Phrasebook) -> None:
    driver = GuardedDriver(book)
    driver.see(UNPROVEN)
    driver.report("ask")
    driver.pass_time(5)
    assert "never seen pressed" in driver.errors()[0].what
    assert driver.lines() == ["untested"]
    driver.see(ARMED)
    driver.report("ask")
    driver.pass_time(2)
    assert driver.table.expected.phrases["amber"] == "amber"


def test_a_proof_that_runs_out_in_the_middle_waits_for_the_next_opening(book: Phrasebook) -> None:
    driver = armed(book)
    driver.see(UNPROVEN)
    driver.report("move")
    driver.pass_time(3)
    assert driver.errors() == []
    assert driver.lines() == ["move"]


def test_a_trip_cuts_first_and_says_one_short_line(book: Phrasebook) -> None:
    driver = armed(book)
    driver.report("move")
    driver.report("chat")
    driver.pass_time(0.4)
    actions = driver.table.guard_changed(TRIPPED, driver.now_s)
    assert isinstance(actions[0], CutShort)  # silence before anything else
    driver.carry_out(actions)
    driver.pass_time(10)
    assert driver.lines() == ["tripped"]
    fates = {m.id: m.said for m in driver.sent if isinstance(m, messages.Done)}
    assert fates == {"e1": "cut", "e2": "dropped"}


def test_a_question_survives_a_trip_and_is_put_again(book: Phrasebook) -> None:
    driver = armed(book)
    driver.report("ask")
    driver.pass_time(2)
    driver.see(TRIPPED)
    driver.pass_time(300)
    driver.hear("amber", 0.99)
    driver.receive(messages.ButtonPressed(button="amber"))
    assert driver.answers()["e1"] == 0
    driver.see(ARMED)
    driver.pass_time(3)
    driver.hear("amber", 0.99)
    (answer,) = [m for m in driver.sent if isinstance(m, messages.AnswerGiven)]
    assert (answer.id, answer.value) == ("e1", "amber")


def test_a_spoken_hold_goes_to_the_guard_and_the_controller_cannot_clear_it(
    book: Phrasebook,
) -> None:
    driver = armed(book)
    driver.hear("pause", 0.9)
    assert driver.holds == ["pause"]
    driver.see(HELD_BY_WORD)
    driver.receive(messages.HoldClearedReported(by="somebody"))
    assert "Press the reset" in driver.errors()[-1].do
    assert driver.table.hold is not None
    driver.pass_time(5)
    assert driver.lines() == ["held"]  # said once, not again for the guard's own news
    driver.see(ARMED)
    assert driver.table.hold is None


def test_a_guard_that_falls_silent_stops_the_talk(book: Phrasebook) -> None:
    driver = armed(book)
    driver.see(SILENT)
    driver.report("move")
    driver.pass_time(3)
    assert driver.errors()[-1].id == "e1"
    assert driver.lines() == ["tripped"]


@settings(max_examples=150, deadline=None)
@given(steps=STEPS, view=st.sampled_from([TRIPPED, HELD_BY_WORD, SILENT, UNPROVEN]))
def test_nothing_said_or_sent_arms_the_table(
    book: Phrasebook, steps: list[tuple[object, ...]], view: GuardView
) -> None:
    driver = GuardedDriver(book)
    driver.see(view)
    play(driver, steps)
    driver.pass_time(600)
    assert driver.table.hold is not None
    assert not [m for m in driver.sent if isinstance(m, messages.AnswerGiven)]
    sounded = {m.event for m in driver.sent if isinstance(m, messages.Said) and m.said == "said"}
    assert sounded <= {"tripped", "untested", "held"}


@settings(max_examples=150, deadline=None)
@given(
    steps=STEPS,
    views=st.lists(st.sampled_from([ARMED, TRIPPED, HELD_BY_WORD, SILENT, UNPROVEN]), max_size=6),
)
def test_every_event_is_still_answered_exactly_once(
    book: Phrasebook, steps: list[tuple[object, ...]], views: list[GuardView]
) -> None:
    driver = GuardedDriver(book)
    for number, view in enumerate(views):
        driver.see(view)
        play(driver, steps[number::6])
    driver.see(ARMED)
    driver.pass_time(600)
    assert driver.table.idle
    expected = {f"e{number + 1}": 1 for number in range(driver.events)}
    assert dict(driver.answers()) == expected
