"""Taste and another phrasebook at the table itself: what is sent, and what stays as it was."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.actions import Action, CutShort, Send, Sound, Spend
from tablevoice.cell import ListeningChoice
from tablevoice.links import messages
from tablevoice.links.messages import Outbound
from tablevoice.model import Event, Heard, Hypothesis, Phrasebook
from tablevoice.phrasebook import load_phrasebook
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.table import Table

BOOK = """
format: 1
title: First
language: en
slots:
  answer: [amber, teal]
kinds:
  teasing: {every_s: 60}
quiet_hours:
  - {from: "20:00", until: "07:00"}
events:
  chat: {priority: banter, lines: [{say: One., kind: teasing}, {say: Two., kind: teasing}]}
  move: {priority: move, lines: [Four., Five.]}
  warn: {priority: warning, lines: [{say: Hands off., kind: teasing}]}
  ask: {priority: question, asks: colour, lines: ["Which?", "What now?"]}
  again: {priority: move, lines: ["Sorry?"]}
questions:
  colour:
    answers: {amber: [amber], teal: [teal]}
    wait_s: 4
    tries: 3
    ask_again: again
    waited: again
standing:
  pause: {phrases: [pause]}
"""

Load = Callable[[str], Phrasebook]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    def loaded(text: str) -> Phrasebook:
        (tmp_path / "book.yaml").write_text(text, encoding="utf-8")
        return load_phrasebook(tmp_path / "book.yaml")

    return loaded


class Desk:
    """A table driven by hand; ``clock_min`` is the time of the day."""

    def __init__(self, book: Phrasebook, clock_min: float = 12 * 60.0) -> None:
        self.clock_min = clock_min
        self.table = Table(
            "small", book, Chooser(book, 7), default_voice="Alder",
            thresholds=ListeningChoice(), clock=lambda now_s: self.clock_min,
        )  # fmt: skip
        self.now_s = 0.0
        self.sent: list[Send] = []
        self.sounding: list[str] = []
        self.said: list[str] = []
        self.spent: list[str] = []

    def do(self, actions: list[Action]) -> None:
        for action in actions:
            match action:
                case Sound(utterance):
                    self.sounding.append(utterance.id)
                    self.said.append(utterance.text)
                    self.do(self.table.voice_started(utterance.id, self.now_s))
                case CutShort(utterance):
                    self.sounding.remove(utterance.id)
                case Spend(spent):
                    self.spent.append(spent.line_key)
                case Send():
                    self.sent.append(action)
                case _:
                    pass

    def report(self, event_id: str, event: str) -> None:
        message = messages.EventReported(id=event_id, event=event)
        self.do(self.table.receive(message, self.now_s))

    def end_line(self, after_s: float = 1.0) -> None:
        self.now_s += after_s
        self.do(self.table.voice_ended(self.sounding.pop(), self.now_s))

    def pause(self) -> None:
        """Wait out the breath between two lines."""
        self.now_s += 1.0
        self.do(self.table.tick(self.now_s))

    def hear(self, text: str) -> None:
        sound = Hypothesis(text, 1.0, True)
        self.do(self.table.hear(Heard(sound, self.now_s + 0.1, self.now_s + 0.5, -30.0),
                                self.now_s + 0.8))  # fmt: skip
        self.now_s += 1.0

    def last(self, kind: str) -> Outbound:
        return [sent.message for sent in self.sent if sent.message.type == kind][-1]


def test_quiet_hours_answer_the_event_and_use_up_no_line(load: Load) -> None:
    desk = Desk(load(BOOK), clock_min=23 * 60.0)
    desk.report("e1", "move")
    assert desk.last("done") == messages.Done(
        at_s=0.0, id="e1", said="dropped", why="quiet hours from 20:00 to 07:00"
    )
    assert desk.sent[-1].about == Event("e1", "move")
    assert (desk.said, desk.spent) == ([], [])
    desk.report("e2", "warn")
    assert desk.said == ["Hands off."]
    desk.end_line()
    desk.clock_min = 8 * 60.0
    desk.report("e3", "move")
    desk.pause()
    assert desk.said[1:] in (["Four."], ["Five."])


def test_a_person_in_an_exchange_gets_their_line_at_any_hour(load: Load) -> None:
    desk = Desk(load(BOOK), clock_min=23 * 60.0)
    desk.report("e1", "ask")
    desk.end_line()
    desk.now_s += 5.0
    desk.do(desk.table.tick(desk.now_s))  # nobody answered: the event for that is a mere move
    assert desk.said[-1] == "Sorry?"


def test_banter_rests_and_a_warning_says_which_rule_gave_way(load: Load) -> None:
    desk = Desk(load(BOOK))
    desk.report("e1", "chat")
    desk.end_line()
    desk.report("e2", "chat")
    assert "teasing: at most one in 60 s" in str(desk.last("done"))
    desk.report("e3", "warn")
    desk.end_line()
    warned = desk.last("said")
    assert isinstance(warned, messages.Said)
    assert (warned.said, warned.note) == ("said", "teasing: at most one in 60 s")
    desk.now_s += 60.0
    desk.report("e4", "chat")
    assert len(desk.said) == 3


def test_another_phrasebook_waits_for_the_end_of_the_line(load: Load) -> None:
    desk = Desk(load(BOOK))
    desk.report("e1", "move")
    desk.report("e2", "chat")
    edited = load(BOOK.replace("Four., Five.", "Four., Five., Six.").replace("First", "Second"))
    desk.do(desk.table.use_book(edited, desk.now_s))
    assert not any(sent.message.type == "phrasebook" for sent in desk.sent)
    desk.end_line()  # of the move; the banter that waited is said as it was chosen
    changed = desk.last("phrasebook")
    assert isinstance(changed, messages.PhrasebookChanged)
    assert (changed.title, changed.events) == ("Second", tuple(edited.events))
    desk.pause()
    desk.end_line()
    said = {desk.said[0]}
    for number in range(2):
        desk.report(f"n{number}", "move")
        desk.pause()
        desk.end_line()
        said.add(desk.said[-1])
    assert said == {"Four.", "Five.", "Six."}  # what was said before the edit is remembered


def test_the_last_of_many_edits_counts_and_one_between_lines_is_used_at_once(load: Load) -> None:
    desk = Desk(load(BOOK))
    desk.report("e1", "move")
    for number in range(50):
        desk.do(desk.table.use_book(load(BOOK.replace("First", f"Edit {number}")), desk.now_s))
    desk.end_line()
    changes = [sent.message for sent in desk.sent if sent.message.type == "phrasebook"]
    assert [change.title for change in changes] == ["Edit 49"]
    desk.do(desk.table.use_book(load(BOOK), desk.now_s))
    assert desk.last("phrasebook").title == "First"  # type: ignore[union-attr]


def test_answers_follow_at_the_next_question_and_standing_commands_at_once(load: Load) -> None:
    desk = Desk(load(BOOK))
    desk.report("e1", "ask")
    desk.end_line()
    edited = BOOK.replace("{amber: [amber], teal: [teal]}", "{amber: [amber], rust: [rust]}")
    desk.do(desk.table.use_book(load(edited.replace("[pause]", "[hold on]")), desk.now_s))
    assert set(desk.table.expected.phrases) == {"amber", "teal", "hold on"}
    assert desk.table.standing_phrases == ("hold on",)
    desk.hear("teal")
    assert desk.last("answer").value == "teal"  # type: ignore[union-attr]
    desk.report("e2", "ask")
    desk.end_line()
    assert set(desk.table.expected.phrases) == {"amber", "rust", "hold on"}


@pytest.mark.parametrize(
    "edit",
    [
        ('  again: {priority: move, lines: ["Sorry?"]}\n', ""),
        ("  again: {priority: move, lines: [", "  again: {slots: [answer], lines: ['{answer}', "),
    ],
)
def test_an_open_question_survives_an_edit_that_takes_its_events_away(
    load: Load, edit: tuple[str, str]
) -> None:
    desk = Desk(load(BOOK))
    desk.report("e1", "ask")
    desk.end_line()
    text = BOOK.replace(*edit).replace("    ask_again: again\n    waited: again\n", "")
    desk.do(desk.table.use_book(load(text), desk.now_s))
    for _ in range(4):
        desk.now_s += 80.0
        desk.do(desk.table.tick(desk.now_s))
        while desk.sounding:
            desk.end_line()
    answer = desk.last("answer")
    assert isinstance(answer, messages.AnswerGiven)
    assert answer.value is None


def test_a_line_that_is_gone_can_still_be_repeated(load: Load) -> None:
    text = BOOK.replace("pause: {phrases: [pause]}", "repeat: {phrases: [repeat]}")
    desk = Desk(load(text))
    desk.report("e1", "move")
    desk.end_line()
    desk.do(
        desk.table.use_book(
            load(
                text.replace(
                    "  move: {priority: move, lines: [Four., Five.]}", "  rest: {lines: [Rest.]}"
                )
            ),
            desk.now_s,
        )
    )
    desk.hear("repeat")
    assert desk.said[-1] == desk.said[0]


EDITIONS = (
    BOOK,
    BOOK.replace("Four., Five.", "Six."),
    BOOK.replace('  again: {priority: move, lines: ["Sorry?"]}\n', "").replace(
        "    ask_again: again\n    waited: again\n", ""
    ),
    BOOK.replace("chat: {priority: banter", "talk: {priority: banter"),
    BOOK.replace("[amber], teal: [teal]", "[amber], rust: [rust]").replace("[pause]", "[hold on]"),
    BOOK.replace("ask: {priority: question, asks: colour", "ask: {priority: question"),
)
steps = st.lists(
    st.one_of(
        st.sampled_from(["chat", "talk", "move", "warn", "ask"]).map(lambda name: ("event", name)),
        st.sampled_from(["teal", "amber", "rust", "pause"]).map(lambda word: ("hear", word)),
        st.sampled_from(range(len(EDITIONS))).map(lambda number: ("edit", str(number))),
        st.sampled_from(["0.1", "1.5", "7", "80"]).map(lambda after_s: ("wait", after_s)),
        st.just(("reset", "")),
        st.just(("ended", "")),
    ),
    max_size=40,
)


@pytest.fixture(scope="module")
def editions(tmp_path_factory: pytest.TempPathFactory) -> list[Phrasebook]:
    file = tmp_path_factory.mktemp("editions") / "book.yaml"
    loaded = []
    for text in EDITIONS:
        file.write_text(text, encoding="utf-8")
        loaded.append(load_phrasebook(file))
    return loaded


@settings(max_examples=150, deadline=None)
@given(taken=steps)
def test_whatever_is_edited_when_every_event_is_answered_once(
    editions: list[Phrasebook], taken: list[tuple[str, str]]
) -> None:
    desk = Desk(editions[0])
    ids = []
    for number, (kind, what) in enumerate(taken):
        match kind:
            case "event":
                ids.append(f"e{number}")
                desk.report(ids[-1], what)
            case "hear":
                desk.hear(what)
            case "edit":
                desk.do(desk.table.use_book(editions[int(what)], desk.now_s))
            case "wait":
                desk.now_s += float(what)
                desk.do(desk.table.tick(desk.now_s))
            case "reset":
                cleared = messages.HoldClearedReported(by="reset")
                desk.do(desk.table.receive(cleared, desk.now_s))
            case _:
                if desk.sounding:
                    desk.end_line()
        assert len(desk.sounding) <= 1  # one voice at a time, whatever was edited
    desk.do(desk.table.receive(messages.Close(), desk.now_s))
    replies = [
        sent.message.id
        for sent in desk.sent
        if sent.message.type in ("done", "answer", "error") and sent.message.id is not None
    ]
    assert sorted(replies) == sorted(ids)
