"""Session files as people write them: what is read, and how a slip is told with its place."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tablevoice.cell import Cell, load_cell
from tablevoice.demo.lanterns import ALDER, BRIAR, MOTH, VISITOR, evening
from tablevoice.errors import FileRefused
from tablevoice.links import messages
from tablevoice.rehearsal.controller import Outcome
from tablevoice.rehearsal.session_checks import check_session
from tablevoice.rehearsal.session_rows import (
    EventRow,
    MessageRow,
    PersonRow,
    ResetRow,
    SessionFile,
    StopRow,
    read_session_file,
)
from tablevoice.shipped import shipped


def read(tmp_path: Path, text: str) -> SessionFile:
    file = tmp_path / "evening.jsonl"
    file.write_text(text, encoding="utf-8")
    return read_session_file(file)


def test_every_kind_of_row_is_read(tmp_path: Path) -> None:
    file = read(tmp_path, """
{"type": "session", "format": 1, "starts": "19:55", "seed": 4}
{"type": "event", "event": "greeting"}
{"type": "event", "event": "lit", "slots": {"lights": 3}, "at_s": 2.5}

{"type": "person", "who": "visitor", "says": "teal", "at_s": 4}
{"type": "person", "types": "teal", "after": "colour_asked", "nth": 2}
{"type": "button", "button": "teal", "at_s": 9.0}
{"type": "stop_pressed", "during": "moth"}
{"type": "reset_pressed", "at_s": 12.0}
{"type": "close", "at_s": 20.0}
""")  # fmt: skip
    assert (file.session.starts, file.session.seed) == ("19:55", 4)
    kinds = [type(row) for row in file.rows]
    assert kinds == [EventRow, EventRow, PersonRow, PersonRow, MessageRow, StopRow, ResetRow,
                     MessageRow]  # fmt: skip
    assert isinstance(file.rows[4], MessageRow)
    assert file.rows[4].message == messages.ButtonPressed(button="teal")
    assert file.places[0].endswith("evening.jsonl:3")
    assert file.people() == ("visitor",)
    assert file.spoken()


def test_a_record_of_a_session_is_a_session_file(tmp_path: Path) -> None:
    file = read(tmp_path, """
{"from": "table", "v": 1, "at_s": 0.0, "type": "ready", "table": "x", "version": "1", "events": []}
{"from": "cell", "at_s": 1.12, "v": 1, "type": "event", "id": "e1", "event": "lit", "slots": {}}
{"from": "room", "type": "person_said", "at_s": 5.0, "who": "visitor", "text": "teal", "end_s": 6.1}
{"from": "cell", "type": "stop_pressed", "at_s": 7.0, "reaction_ms": 1.25}
{"from": "cell", "type": "talking_half_killed", "at_s": 9.0}
""")  # fmt: skip
    assert file.rows == (
        EventRow(event="lit", slots={}, at_s=1.12),
        PersonRow(who="visitor", says="teal", at_s=5.0),
        StopRow(at_s=7.0),
    )


WRONG = [
    ('{"type": "evnt", "event": "lit"}', "a row of the type 'evnt'", "'event'"),
    ('{"type": "event", "evnt": "lit"}', "'evnt'", "'event'"),
    ('{"type": "event"}', "'event' is missing", "Add"),
    ('{"type": "event", "event": "lit", "at_s": "soon"}', "field 'at_s", "right"),
    ('{"type": "event", "event": "lit", "at_s": -1}', "field 'at_s", "right"),
    ('{"type": "event", "event": "lit", "at_s": 1, "after_s": 1}', "both at_s and after_s", "time"),
    ('{"type": "person", "says": "teal"}', "when is this said", "at_s"),
    ('{"type": "person", "says": "teal", "types": "teal", "at_s": 1}', "says and types", "one of"),
    ('{"type": "person", "at_s": 1}', "does nothing", "one of"),
    ('{"type": "stop_pressed"}', "when is the stop pressed", "during"),
    ('{"type": "button", "button": "teal"}', "at_s", ""),
    ('{"type": "session", "starts": "25:00"}', "starts", "right"),
    ('[1, 2]', "not a JSON object", "one JSON object a line"),
    ('{"type": "event", "event": "lit", "event": "dull"}', "comes twice", "once"),
    ('{"type": "event"', "not JSON", "one JSON object"),
    ('\x00', "not JSON", "one JSON object"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "what", "do"), WRONG)
def test_a_slip_is_told_with_its_line(tmp_path: Path, row: str, what: str, do: str) -> None:
    with pytest.raises(FileRefused) as refused:
        read(tmp_path, '{"type": "event", "event": "lit"}\n' + row + "\n")
    (problem,) = refused.value.problems
    assert what in problem.what
    assert do in problem.do
    assert "evening.jsonl:2" in problem.where


def test_all_slips_are_told_at_once_and_an_empty_file_is_one(tmp_path: Path) -> None:
    with pytest.raises(FileRefused) as refused:
        read(tmp_path, '{"type": "evnt"}\n{"type": "persn"}\n')
    assert len(refused.value.problems) == 2
    for text in ("", "\n\n", '{"type": "session"}\n'):
        with pytest.raises(FileRefused, match="nothing happens"):
            read(tmp_path, text)
    with pytest.raises(FileRefused, match="comes late"):
        read(tmp_path, '{"type": "event", "event": "lit"}\n{"type": "session"}\n')
    with pytest.raises(FileRefused, match="cannot be read"):
        read_session_file(tmp_path / "nowhere.jsonl")


@pytest.fixture(scope="module")
def lanterns() -> Cell:
    return load_cell(shipped("lantern_table.yaml"))


@pytest.mark.parametrize(
    ("row", "what", "do"),
    [
        ('{"type": "event", "event": "lits"}', "no event 'lits'", "'lit'"),
        ('{"type": "event", "event": "lit"}', "needs the slot 'arm'", "arm="),
        ('{"type": "event", "event": "colour_heard", "slots": {"colour": "tael"}}', "'tael'",
         "'teal'"),
        ('{"type": "person", "says": "x", "after": "colour_askd"}', "'colour_askd'",
         "'colour_asked'"),
        ('{"type": "person", "plays": "teal.wav", "at_s": 1}', "no sound file 'teal.wav'", "Name"),
        ('{"type": "person", "who": "Alder", "says": "x", "at_s": 1}', "a voice of the table",
         "another name"),
        ('{"type": "button", "button": "tael", "at_s": 1}', "answer 'tael'", "'teal'"),
        ('{"type": "stop_pressed", "during": "moths"}', "'moths'", "'moth'"),
    ],
)  # fmt: skip
def test_what_does_not_fit_the_phrasebook_is_told_before_anything_is_played(
    tmp_path: Path, lanterns: Cell, row: str, what: str, do: str
) -> None:
    file = read(tmp_path, '{"type": "event", "event": "greeting"}\n' + row)
    with pytest.raises(FileRefused) as refused:
        check_session(file, lanterns)
    (problem,) = refused.value.problems
    assert what in problem.what
    assert do in problem.do
    assert problem.where.endswith("evening.jsonl:2")


def test_the_demo_is_a_session_file_that_keeps_to_the_rules_of_the_game(lanterns: Cell) -> None:
    """The events of the file, with the visitor's colour called, are those of the game's rules."""
    file = read_session_file(shipped("lantern_evening.jsonl"))
    check_session(file, lanterns)
    (wish,) = [
        row.says for row in file.rows if isinstance(row, PersonRow) and row.after == "colour_asked"
    ]
    basket = ("teal", MOTH, "silver", "crimson", "violet", "teal", MOTH, "silver", "violet")
    rules = evening({ALDER: 3, BRIAR: 4, VISITOR: 3}, basket, {ALDER: "silver", BRIAR: "crimson"})
    played = []
    report = next(rules)
    while report is not None:
        played.append((report.event, dict(report.slots), report.after_s))
        answer = wish if report.event == "colour_asked" else None
        try:
            report = rules.send(Outcome(answer))
        except StopIteration:
            break
    written = [
        (row.event, {name: wish if value == "{answer}" else value
                     for name, value in row.slots.items()},
         0.3 if row.after_s is None else row.after_s)
        for row in file.rows
        if isinstance(row, EventRow)
        and (row.if_answer == [] or row.if_answer == wish) and row.unless_answer != wish
    ]  # fmt: skip
    assert written == played


def test_the_demo_file_is_plain_json_lines() -> None:
    for line in shipped("lantern_evening.jsonl").read_text("utf-8").splitlines():
        assert isinstance(json.loads(line), dict)
