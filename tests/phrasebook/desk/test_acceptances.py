"""What is right as it is: accepted with a reason, followed through moves, found when stale."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tablevoice.errors import FileRefused
from tablevoice.phrasebook.desk.codes import RULES
from tablevoice.phrasebook.desk.house_style import HouseStyle
from tablevoice.phrasebook.desk.manuscript import manuscript
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.desk.reading import read
from tablevoice.phrasebook.loading import load_phrasebook, read_phrasebook

BOOK = """\
format: 1
title: Test
language: en
slots:
  part: [the lamp, the M3 bolt]
events:
  turn:
    slots: [part]
    lines:
      - Bring {part}.
      - say: Take 5 of them.
        accept: {P501: Every voice here reads a five.}
      - It shines.
accept:
  part: {P501: "The shop says em three,\\n and so do the voices."}
"""


def notes(folder: Path, text: str, lasts_s: float | None = None) -> list[Note]:
    file = folder / "book.yaml"
    file.write_text(text, encoding="utf-8")
    found = read_phrasebook(file)
    book = found.book
    spoken = [
        (event, line, line.text, "Alder") for event in book.events.values() for line in event.lines
    ]
    return list(read(manuscript(found), HouseStyle(), {}, spoken, lambda one: lasts_s).notes)


def told(found: list[Note]) -> list[tuple[str, int, str | None]]:
    return [(note.code, note.place.line, note.accepted) for note in found]


def test_what_is_accepted_stays_in_the_list_with_its_reason(tmp_path: Path) -> None:
    assert told(notes(tmp_path, BOOK)) == [
        ("P501", 5, "The shop says em three, and so do the voices."),
        ("P501", 11, "Every voice here reads a five."),
    ]


def test_an_acceptance_goes_with_its_line(tmp_path: Path) -> None:
    line = "      - say: Take 5 of them.\n        accept: {P501: Every voice here reads a five.}\n"
    assert line in BOOK
    moved = BOOK.replace(line, "").replace("    lines:\n", f"    lines:\n{line}")
    accepted = [note for note in notes(tmp_path, moved) if note.line_key]
    assert told(accepted) == [("P501", 10, "Every voice here reads a five.")]


@pytest.mark.parametrize("swapped", [False, True])
def test_of_two_lines_that_are_alike_either_may_say_why(tmp_path: Path, swapped: bool) -> None:
    lines = [
        "      - {say: It is lit., accept: {D201: He repeats himself.}}\n",
        "      - It is lit!\n",
    ]
    if swapped:
        lines.reverse()
    text = "format: 1\ntitle: T\nlanguage: en\nevents:\n  lit:\n    lines:\n" + "".join(lines)
    (note,) = notes(tmp_path, text)
    assert told([note]) == [("D201", 8, "He repeats himself.")]


def test_it_does_not_change_which_line_it_is(tmp_path: Path) -> None:
    def keys(text: str) -> list[str]:
        (tmp_path / "k.yaml").write_text(text, encoding="utf-8")
        return [line.key for line in load_phrasebook(tmp_path / "k.yaml").events["turn"].lines]

    assert keys(BOOK) == keys(
        BOOK.replace("        accept: {P501: Every voice here reads a five.}\n", "")
    )


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("Take 5 of them.", "Take five of them.", 12),
        ("{P501: Every", "{P502: Every", 12),
        ("the M3 bolt]", "the bolt]", 15),
        ("  part: {P501", "  parts: {P501", 15),
    ],
)
def test_one_that_nothing_answers_to_is_a_finding(
    tmp_path: Path, old: str, new: str, line: int
) -> None:
    found = [note for note in notes(tmp_path, BOOK.replace(old, new)) if note.code == "A801"]
    assert [note.place.line for note in found] == [line]
    assert found[0].accepted is None


def test_an_event_accepts_for_itself_and_all_its_lines(tmp_path: Path) -> None:
    text = BOOK.replace("        accept: {P501: Every voice here reads a five.}\n", "").replace(
        "    lines:\n", "    accept: {P501: Numerals are fine here., E103: Rare.}\n    lines:\n"
    )
    found = notes(tmp_path, text)
    assert [(note.code, note.accepted) for note in found if note.line_key] == [
        ("P501", "Numerals are fine here.")
    ]
    assert [note.what[:4] for note in found if note.code == "A801"] == ["E103"]


def test_a_line_s_own_acceptance_goes_first_so_that_the_other_can_be_seen_to_be_idle(
    tmp_path: Path,
) -> None:
    text = BOOK.replace("    lines:\n", "    accept: {P501: Not needed.}\n    lines:\n")
    assert [note.place.line for note in notes(tmp_path, text) if note.code == "A801"] == [9]


def test_a_code_that_there_is_not_comes_with_the_nearest(tmp_path: Path) -> None:
    (note,) = [
        note
        for note in notes(tmp_path, BOOK.replace("{P501: Every", "{P511: Every"))
        if note.code == "A802"
    ]
    assert "Did you mean 'P501'" in note.do


def test_what_was_accepted_of_a_length_stays_until_the_length_is_known(tmp_path: Path) -> None:
    text = BOOK.replace("P501: Every", "L301: Every").replace(
        "    slots: [part]\n", "    slots: [part]\n    longest_s: 2\n"
    )

    def lengths(lasts_s: float | None) -> list[tuple[str, str | None]]:
        return [
            (note.code, note.accepted)
            for note in notes(tmp_path, text, lasts_s)
            if note.code in ("L301", "A801") and note.place.line in (12, 13)
        ]

    assert lengths(None) == []
    assert lengths(3.0) == [("L301", "Every voice here reads a five.")]
    assert lengths(1.0) == [("A801", None)]


@pytest.mark.parametrize(
    ("accept", "says"),
    [
        ("{P501: ''}", "nothing is accepted without a reason"),
        ("{P501: '  '}", "nothing is accepted without a reason"),
        ("{P501: }", "nothing is accepted without a reason"),
        ("{P501: yes, because: no}", "Write the code of a finding"),
        ("{numerals: fine}", "Write the code of a finding"),
        ("[P501]", "Write a mapping"),
        ("P501", "Write a mapping"),
        ("{P501: [a, b]}", "nothing is accepted without a reason"),
        ("{P501: 5}", "nothing is accepted without a reason"),
    ],
)
def test_an_acceptance_without_a_reason_is_refused(tmp_path: Path, accept: Any, says: str) -> None:
    text = BOOK.replace("{P501: Every voice here reads a five.}", accept)
    with pytest.raises(FileRefused) as refused:
        notes(tmp_path, text)
    (problem,) = refused.value.problems
    assert says in problem.do
    assert ":12:" in problem.where


def test_every_code_is_documented_once_and_well_formed() -> None:
    assert list(RULES) == list(dict.fromkeys(RULES))
    assert len({rule.name for rule in RULES.values()}) == len(RULES)
    for code, rule in RULES.items():
        assert code == rule.code
        assert code[0].isupper()
        assert code[1:].isdigit()
        assert len(code) == 4
        assert rule.about.endswith(".")
        assert rule.name.isidentifier()
