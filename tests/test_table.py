"""The table over random sessions: every event answered once, one voice at a time, holds latch."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.actions import Action, CutShort, Send, Sound, Spend
from tablevoice.cell import ListeningChoice
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.model import Heard, Hypothesis, Phrasebook
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.table import Table

BOOK = """
format: 1
title: Small
language: en
slots:
  answer: [amber, teal]
events:
  chat: {about: Banter., priority: banter, fresh_for_s: 3, lines: [One., Two., Three.]}
  move: {about: A move., priority: move, interruptible: true, lines: [Four., Five.]}
  ask: {about: Asks., priority: question, asks: colour, lines: ["Which?", "What now?"]}
  again: {about: Again., priority: question, lines: ["Sorry?"]}
  confirm: {about: Confirms., slots: [answer], priority: question, lines: ["{answer}?"]}
  button: {about: Gives up., priority: question, lines: [Press a key.]}
  held: {about: Held., priority: warning, lines: [Asked to wait.]}
questions:
  colour:
    answers: {amber: [amber], teal: [teal]}
    wait_s: 4
    tries: 2
    button_wait_s: 9
    ask_again: again
    waited: again
    confirm: confirm
    give_up: button
standing:
  pause: {phrases: [pause], says: held}
  stop: {phrases: [stop], says: held}
  repeat: {phrases: [repeat]}
  never_mind: {phrases: [never mind]}
"""


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    path = tmp_path_factory.mktemp("book") / "small.yaml"
    path.write_text(BOOK, encoding="utf-8")
    return load_phrasebook([path])


class Driver:
    """Carries actions out on paper: time by hand, lines that last one second."""

    def __init__(self, book: Phrasebook) -> None:
        self.table = Table(
            "small", book, Chooser(book, 7), default_voice="Alder", thresholds=ListeningChoice()
        )
        self.now_s = 0.0
        self.sent: list[Outbound] = []
        self.sounding: str | None = None
        self.ends_s = 0.0
        self.events = 0

    def carry_out(self, actions: list[Action]) -> None:
        for action in actions:
            match action:
                case Spend():
                    pass
                case Sound(utterance):
                    assert self.sounding is None, "two voices at once"
                    self.sounding = utterance.id
                    self.ends_s = self.now_s + 1.0
                    self.carry_out(self.table.voice_started(utterance.id, self.now_s))
                case CutShort(utterance):
                    assert self.sounding == utterance.id, "cut what does not sound"
                    self.sounding = None
                case Send(message):
                    self.sent.append(message)

    def receive(self, message: Inbound) -> None:
        self.carry_out(self.table.receive(message, self.now_s))

    def report(self, event: str) -> None:
        self.events += 1
        self.receive(messages.EventReported(id=f"e{self.events}", event=event))

    def hear(self, text: str, certainty: float, *, over_a_voice: bool = False) -> None:
        heard = Heard(
            Hypothesis(text, certainty, calibrated=True), self.now_s - 0.5, self.now_s - 0.2,
            -30.0, during_speech=over_a_voice,
        )  # fmt: skip
        self.carry_out(self.table.hear(heard, self.now_s))

    def pass_time(self, seconds: float) -> None:
        """Let time pass, with every end of a line and every deadline in its order."""
        until_s = self.now_s + seconds
        for _ in range(1000):
            due = [until_s]
            if self.sounding is not None:
                due.append(self.ends_s)
            if self.table.deadline_s is not None:
                due.append(self.table.deadline_s)
            self.now_s = max(self.now_s, min(due))
            if self.sounding is not None and self.ends_s <= self.now_s:
                ended, self.sounding = self.sounding, None
                self.carry_out(self.table.voice_ended(ended, self.now_s))
            self.carry_out(self.table.tick(self.now_s))
            if self.now_s >= until_s:
                return
        raise AssertionError("time stands still")

    def answers(self) -> Counter[str]:
        """How often each event was answered, by whatever message."""
        return Counter(
            message.id
            for message in self.sent
            if isinstance(message, (messages.AnswerGiven, messages.Done, messages.ErrorReported))
            and message.id is not None
        )


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("report"), st.sampled_from(["chat", "move", "ask", "nonsense"])),
        st.tuples(
            st.just("hear"),
            st.sampled_from(["amber", "teal", "pause", "stop", "repeat", "never mind", ""]),
            st.sampled_from([0.1, 0.5, 0.6, 0.95]),
        ),
        st.tuples(st.just("press"), st.sampled_from(["amber", "pink"])),
        st.tuples(st.just("clear")),
        st.tuples(st.just("wait"), st.sampled_from([0.1, 0.7, 3.0, 20.0])),
    ),
    max_size=30,
)


def play(driver: Driver, steps: list[tuple[object, ...]]) -> None:
    for step in steps:
        match step:
            case ("report", str(event)):
                driver.report(event)
            case ("hear", str(text), float(certainty)):
                driver.hear(text, certainty, over_a_voice=driver.sounding is not None)
            case ("press", str(button)):
                driver.receive(messages.ButtonPressed(button=button))
            case ("clear",):
                driver.receive(messages.HoldClearedReported(by="reset"))
            case ("wait", float(seconds)):
                driver.pass_time(seconds)
            case _:
                raise AssertionError(step)


@settings(max_examples=200, deadline=None)
@given(steps=STEPS)
def test_every_event_is_answered_exactly_once(
    book: Phrasebook, steps: list[tuple[object, ...]]
) -> None:
    driver = Driver(book)
    play(driver, steps)
    driver.receive(messages.HoldClearedReported(by="reset"))
    driver.pass_time(600.0)
    assert driver.table.idle
    expected = Counter({f"e{number + 1}": 1 for number in range(driver.events)})
    assert driver.answers() == expected


@settings(max_examples=100, deadline=None)
@given(steps=STEPS)
def test_closing_answers_what_is_open(book: Phrasebook, steps: list[tuple[object, ...]]) -> None:
    driver = Driver(book)
    play(driver, steps)
    driver.receive(messages.Close())
    assert isinstance(driver.sent[-1], messages.Closed)
    assert driver.sounding is None
    expected = Counter({f"e{number + 1}": 1 for number in range(driver.events)})
    assert driver.answers() == expected


@settings(max_examples=150, deadline=None)
@given(steps=STEPS)
def test_nothing_but_the_reset_ends_a_hold(
    book: Phrasebook, steps: list[tuple[object, ...]]
) -> None:
    driver = Driver(book)
    driver.hear("pause", 0.95)
    assert driver.table.hold is not None
    play(driver, [step for step in steps if step != ("clear",)])
    driver.pass_time(1000.0)
    assert driver.table.hold is not None
    driver.receive(messages.HoldClearedReported(by="reset"))
    assert driver.table.hold is None


def test_a_hold_silences_everything_but_warnings(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.report("move")
    driver.report("chat")
    driver.pass_time(0.3)
    driver.hear("stop", 0.9, over_a_voice=True)
    fates = {m.id: m.said for m in driver.sent if isinstance(m, messages.Done)}
    assert fates == {"e1": "cut", "e2": "dropped"}
    driver.pass_time(5.0)
    last = [m for m in driver.sent if isinstance(m, messages.Said)][-1]
    assert (last.event, last.said) == ("held", "said")


def test_an_event_id_that_comes_again_is_refused_and_the_first_stands(book: Phrasebook) -> None:
    driver = Driver(book)
    message = messages.EventReported(id="same", event="move")
    driver.receive(message)
    driver.receive(message)
    driver.pass_time(5.0)
    kinds = [m.type for m in driver.sent if getattr(m, "id", None) == "same"]
    assert kinds == ["error", "said", "done"]


def test_unknown_events_and_wrong_slots_name_the_nearest(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.receive(messages.EventReported(id="a", event="mvoe"))
    driver.receive(messages.EventReported(id="b", event="confirm", slots={"answer": "ambre"}))
    driver.receive(messages.EventReported(id="c", event="confirm", slots={}))
    errors = [m for m in driver.sent if isinstance(m, messages.ErrorReported)]
    assert [error.id for error in errors] == ["a", "b", "c"]
    assert "move" in errors[0].do
    assert "amber" in errors[1].do
    assert "answer" in errors[2].what


def test_two_runs_of_the_same_inputs_give_the_same_messages(book: Phrasebook) -> None:
    steps: list[tuple[object, ...]] = [
        ("report", "chat"), ("wait", 0.7), ("report", "ask"), ("wait", 3.0),
        ("hear", "amber", 0.6), ("wait", 3.0), ("hear", "amber", 0.95), ("wait", 20.0),
    ]  # fmt: skip
    runs = []
    for _ in range(2):
        driver = Driver(book)
        play(driver, steps)
        runs.append([message.model_dump() for message in driver.sent])
    assert runs[0] == runs[1]
    assert any(row["type"] == "answer" and row["value"] == "amber" for row in runs[0])
