"""The table over random sessions: every event answered once, one voice at a time, holds latch."""

from __future__ import annotations

from collections import Counter
from typing import TypeVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.actions import Action, CorrectVerdict, CutShort, Judgement, Send, Sound, Spend
from tablevoice.cell import ListeningChoice
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.model import Heard, Hypothesis, Phrasebook, Verdict
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
        self.judged: list[Judgement] = []
        self.corrections: list[CorrectVerdict] = []

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
                case CorrectVerdict():
                    self.corrections.append(action)
                case Send(message, about):
                    self.sent.append(message)
                    if isinstance(about, Judgement):
                        self.judged.append(about)

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

    def hear_sound(self, over_a_voice: bool = False, **probabilities: float) -> Judgement:
        """Something whose phrases have these probabilities; the grammar made nothing of it."""
        heard = Heard(
            Hypothesis("", 0.0, calibrated=False), self.now_s - 0.5, self.now_s - 0.2, -30.0,
            during_speech=over_a_voice,
            probabilities={name.replace("_", " "): p for name, p in probabilities.items()},
        )  # fmt: skip
        self.carry_out(self.table.hear(heard, self.now_s))
        return self.judged[-1]

    def ask(self) -> None:
        """Put the question and wait until its line is over."""
        self.report("ask")
        self.pass_time(1.5)

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


# --- by probability ---------------------------------------------------------------


Kind = TypeVar("Kind")


def last(driver: Driver, kind: type[Kind]) -> Kind:
    return [message for message in driver.sent if isinstance(message, kind)][-1]


def test_a_sure_answer_is_acted_on_and_a_likely_one_confirmed(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.ask()
    driver.hear_sound(amber=0.8)
    driver.pass_time(1.5)
    assert last(driver, messages.Said).text == "Amber?"
    driver.hear_sound(yes=0.85)  # half is at stake: less than for the answer itself
    answer = last(driver, messages.AnswerGiven)
    assert (answer.value, answer.how) == ("amber", "confirmed")
    driver.pass_time(5.0)
    driver.ask()
    driver.hear_sound(teal=0.97)
    answer = last(driver, messages.AnswerGiven)
    assert (answer.value, answer.how) == ("teal", "voice")


def test_outside_talk_is_ignored_and_two_likely_answers_are_asked_about(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.ask()
    assert driver.hear_sound(amber=0.2, umbrella=0.5).verdict is Verdict.IGNORE
    assert driver.hear_sound(amber=0.35, teal=0.3, never_mind=0.1).verdict is Verdict.ASK_AGAIN
    driver.pass_time(1.2)
    assert last(driver, messages.Said).event == "again"


def test_with_no_question_open_nobody_is_asked_and_answers_are_nobodys(book: Phrasebook) -> None:
    driver = Driver(book)
    # "amber" may not be said now, so what is likely is none of the phrases.
    judged = driver.hear_sound(amber=0.9, pause=0.1)
    assert (judged.match.meaning, judged.verdict) == ("pause", Verdict.IGNORE)
    assert judged.reason.possible == ("act", "ignore")
    assert driver.hear_sound(repeat=0.7).verdict is Verdict.IGNORE
    assert driver.table.idle


def test_a_hold_acts_on_less_and_says_so(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.ask()
    judged = driver.hear_sound(amber=0.45, pause=0.45)
    assert judged.verdict is Verdict.ACT
    assert driver.table.hold is not None
    report = last(driver, messages.HeardReported)
    assert report.on_less_evidence
    assert report.reason.startswith("A hold acts on less evidence: 45%, where an answer needs 95%")
    assert report.probabilities == {"amber": 0.45, "pause": 0.45}
    assert report.certainty == 0.45


def test_over_a_voice_only_a_hold_acts(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.ask()
    assert driver.hear_sound(over_a_voice=True, amber=0.7).verdict is Verdict.IGNORE
    assert driver.hear_sound(over_a_voice=True, stop=0.5).verdict is Verdict.ACT


def test_each_utterance_has_a_number_of_its_own(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.table = Table(
        "small", book, Chooser(book, 7), default_voice="Alder", thresholds=ListeningChoice(),
        session=12,
    )  # fmt: skip
    numbers = [driver.hear_sound(pause=0.1).utterance for _ in range(3)]
    assert numbers == ["12-1", "12-2", "12-3"]
    assert last(driver, messages.HeardReported).utterance == "12-3"


def test_a_correction_is_handed_on_in_the_one_form_of_phrases(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.receive(messages.Correct(utterance="0-1", said="Never mind!", id="c1"))
    driver.receive(messages.Correct(utterance="0-2", nothing=True))
    driver.receive(messages.Correct(utterance="0-3"))
    assert driver.corrections == [
        CorrectVerdict("0-1", "never mind", "c1"), CorrectVerdict("0-2", "", None),
        CorrectVerdict("0-3", None, None),
    ]  # fmt: skip


def test_a_correction_that_cannot_be_meant_is_refused(book: Phrasebook) -> None:
    driver = Driver(book)
    driver.receive(messages.Correct(utterance="0-1", said="amba", id="c1"))
    driver.receive(messages.Correct(utterance="0-1", said="amber", nothing=True, id="c2"))
    errors = [m for m in driver.sent if isinstance(m, messages.ErrorReported)]
    assert [error.id for error in errors] == ["c1", "c2"]
    assert "Did you mean 'amber'?" in errors[0].do
    assert driver.corrections == []


PROBABILITIES = st.dictionaries(
    st.sampled_from(["amber", "teal", "pause", "stop", "repeat", "never_mind", "yes", "no"]),
    st.floats(0, 1),
    min_size=1,
).map(lambda found: {name: p / max(1.0, sum(found.values())) for name, p in found.items()})


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(PROBABILITIES, st.booleans(), st.sampled_from([0.2, 1.5, 9.0]))))
def test_every_question_ends_whatever_the_probabilities(
    book: Phrasebook, sounds: list[tuple[dict[str, float], bool, float]]
) -> None:
    driver = Driver(book)
    for probabilities, over_a_voice, wait_s in sounds:
        driver.report("ask")
        driver.hear_sound(over_a_voice=over_a_voice, **probabilities)
        driver.pass_time(wait_s)
    driver.receive(messages.HoldClearedReported(by="reset"))
    driver.pass_time(600.0)
    assert driver.answers() == Counter({f"e{number + 1}": 1 for number in range(driver.events)})
    for judged in driver.judged:
        assert judged.reason.text
        if judged.reason.expected and not judged.heard.during_speech:
            assert judged.reason.expected[judged.verdict.value] == min(
                judged.reason.expected.values()
            )
