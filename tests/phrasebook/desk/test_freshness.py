"""Events with too few lines for how often they come."""

from __future__ import annotations

import pytest

from tablevoice.phrasebook.desk.freshness import read_freshness, without_uses
from tablevoice.phrasebook.desk.house_style import HouseStyle
from tests.phrasebook.desk.books import book, codes

STYLE = HouseStyle()


def event(lines: int, **more: object) -> dict[str, object]:
    return {"lines": [f"Line number {'x' * n}." for n in range(1, lines + 1)], **more}


def test_an_event_that_comes_often_needs_more_lines_and_is_told_how_many() -> None:
    (note,) = read_freshness(book({"turn": event(12, uses=12)}), STYLE)
    assert note.code == "E103"
    assert "12 lines for 12 uses a session" in note.what
    assert "after 1 session on the average" in note.what
    assert "54% of the repeats within 1 session" in note.what
    assert note.do.startswith("40 lines (28 more)")
    assert note.event == "turn"


@pytest.mark.parametrize(
    ("lines", "uses", "apart", "found"),
    [
        (40, 12, 1, []),
        (39, 12, 1, ["E103"]),
        (40, 12, 2, ["E103"]),
        (2, 1, 1, []),
        (2, 0.2, 5, []),
        (2, 0.2, 10, ["E103"]),
        (8, 4, 0.5, []),
        (1, None, 1, ["E104"]),
        (1, 3, 1, ["E103", "E104"]),
        (5, 0, 1, []),
    ],
)
def test_what_is_enough(lines: int, uses: float | None, apart: float, found: list[str]) -> None:
    text = book({"turn": event(lines) if uses is None else event(lines, uses=uses)})
    style = HouseStyle(repeats_apart_sessions=apart)
    assert codes(read_freshness(text, style)) == found


def test_the_cell_knows_better_how_often_an_event_comes() -> None:
    text = book({"turn": event(12, uses=12)})
    assert codes(read_freshness(text, HouseStyle(expected_uses={"turn": 3}))) == []
    unsaid = book({"turn": event(5)})
    assert codes(read_freshness(unsaid, HouseStyle(expected_uses={"turn": 30}))) == ["E103"]
    assert without_uses(unsaid, HouseStyle(expected_uses={"turn": 30})) == []


def test_the_situation_with_fewest_lines_is_named() -> None:
    lines = [{"say": f"Slow {'x' * n}.", "when": {"arm": "Alder"}} for n in range(1, 3)]
    lines += [{"say": f"Quick {'y' * n}.", "when": {"arm": "Briar"}} for n in range(1, 30)]
    text = book({"turn": {"slots": ["arm"], "uses": 6, "lines": lines}})
    (note,) = read_freshness(text, STYLE)
    assert "2 lines for 3 uses a session when arm is Alder" in note.what
    assert "all of the repeats" in note.what


def test_a_warning_may_sound_the_same_each_time() -> None:
    text = book({"stopped": event(1, uses=50, priority="warning")})
    assert codes(read_freshness(text, STYLE)) == []
    assert without_uses(book({"stopped": event(1, priority="warning")}), STYLE) == []


def test_events_of_which_nobody_knows_how_often_they_come_are_counted_not_found() -> None:
    text = book({"turn": event(4), "draw": event(4, uses=1)})
    assert codes(read_freshness(text, STYLE)) == []
    assert without_uses(text, STYLE) == ["turn"]


def test_resting_lines_do_not_count() -> None:
    lines = [{"say": "One."}, {"say": "Two, at rest.", "weight": 0}]
    assert codes(read_freshness(book({"turn": {"lines": lines}}), STYLE)) == ["E104"]


def test_lines_that_only_follow_another_are_no_part_of_the_stock() -> None:
    lines = [
        {"say": "Once upon a time.", "name": "begin"},
        {"say": "And then it went on.", "follows": "begin"},
    ]
    assert codes(read_freshness(book({"turn": {"lines": lines}}), STYLE)) == ["E104"]


def test_ten_thousand_conditions_are_looked_at_within_bounds() -> None:
    slots = {f"slot_{n}": list(range(40)) for n in range(4)}
    lines = [
        {"say": f"Line {'x' * (n % 90)} {n % 7}.", "when": {f"slot_{n % 4}": {"at_least": n % 40}}}
        for n in range(2_000)
    ]
    whole = [{"say": "Always."}, *lines]
    event = {"slots": list(slots), "uses": 5, "lines": whole}
    text = book({"turn": event}, slots=slots)
    assert set(codes(read_freshness(text, STYLE))) <= {"E103"}
