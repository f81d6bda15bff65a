"""Numbers in a cell file: an edit that would change their meaning is refused, with its place."""

from __future__ import annotations

import string
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused
from tablevoice.links.modbus_map import RegisterMap
from tablevoice.links.modbus_numbers import findings, suggested
from tablevoice.links.modbus_settings import ModbusEntry, NumbersEntry
from tablevoice.links.rights import EVERYDAY_RIGHTS
from tablevoice.model import EventLines, Phrasebook, Priority, Question
from tests.links.modbus_cells import NUMBERS, small_map
from tests.links.paper_table import BOOK, small_book

CELL = """\
format: 1
table: small bench
phrasebooks: [book.yaml]
voices: {Fennel: {}}
links:
  modbus:
    role: server
    port: 1502
    numbers:
      events: {done: 3, pick: 7, size: 20}
      slots:
        item: {place: 2, values: {the mug: 5, the lamp: 1}}
        count: {place: 1}
      answers: {carton: 11, pallet: 4}
"""


def load(folder: Path, cell: str = CELL, book: str = BOOK) -> ModbusEntry:
    (folder / "book.yaml").write_text(book, encoding="utf-8")
    (folder / "cell.yaml").write_text(cell, encoding="utf-8")
    entry = load_cell(folder / "cell.yaml").links.modbus
    assert entry is not None
    return entry


def test_a_good_entry_comes_through_with_its_defaults(tmp_path: Path) -> None:
    entry = load(tmp_path)
    assert (entry.role, entry.host, entry.port) == ("server", "127.0.0.1", 1502)
    assert (entry.peers, entry.channels) == ([], 2)
    assert {*entry.may} == EVERYDAY_RIGHTS
    assert entry.numbers.slots["item"].values == {"the mug": 5, "the lamp": 1}


def changed(old: str, new: str, text: str = CELL) -> str:
    assert old in text
    return text.replace(old, new)


@pytest.mark.parametrize(
    ("cell", "place", "what", "do"),
    [
        (changed("{done: 3,", "{dune: 3,"), "10:16", "no event 'dune'", "'done'"),
        (changed("pick: 7", "pick: 3"), "10:31", "number 3 is that of 'done'", "21 is free"),
        (changed("size: 20", "size: 0"), "10:40", "found 0", "1 or more"),
        (changed("size: 20", "size: 32768"), "10:40", "found 32768", "32767 or less"),
        (changed("count: {place: 1}", "count: {place: 2}"), "13:24", "the same place 2", "another"),
        (changed("count: {place: 1}", "count: {place: 15}"), "13:24", "found 15", "14 or less"),
        (changed("        count: {place: 1}\n", ""), "10:25", "'count', which has no place",
         "--suggest"),
        (changed("the lamp: 1", "the lump: 1"), "12:47", "cannot be 'the lump'", "'the lamp'"),
        (changed(", the lamp: 1", ""), "12:9", "'the lamp', which has no number", "--suggest"),
        (changed("the lamp: 1", "the lamp: 5"), "12:57", "number 5 is that of 'the mug'", "6"),
        (changed("place: 1}", "place: 1, values: {1: 1, 2: 2}}"), "13:27", "whole numbers",
         "Leave 'values' out"),
        (changed("carton: 11, ", ""), "14:7", "'carton', which has no number", "--suggest"),
        (changed("pallet: 4", "palet: 4"), "14:29", "no question has the answer 'palet'",
         "'pallet'"),
        (changed("pallet: 4", "pallet: 11"), "14:37", "number 11 is that of 'carton'", "12"),
        (changed("{done: 3, pick: 7, size: 20}", "{}"), "10:7", "no event has a number",
         "--suggest"),
        (changed("port: 1502", "port: 1502\n    status_at: 30"), "9:16", "overlap",
         "40 or later"),
        (changed("port: 1502", "port: 1502\n    commands_at: 65500"), "9:18", "beyond 65535",
         "lower"),
        (changed("port: 1502", "port: 1502\n    host: 10.0.0.9"), "9:11", "every computer",
         "peers"),
        (changed("port: 1502", "port: 1502\n    host: bench"), "9:11", "found 'bench'",
         "127.0.0.1"),
        (changed("port: 1502", "port: 1502\n    peers: [10.0.0]"), "9:13", "found '10.0.0'",
         "10.0.0.5"),
        (changed("role: server", "role: client\n    peers: [10.0.0.5]"), "8:5", "a client connects",
         "peers"),
        (changed("port: 1502", "port: 1502\n    may: [evnts]"), "9:11", "found 'evnts'",
         "'events'"),
        (changed("port: 1502", "port: 1502\n    may: [close]"), "9:11", "found 'close'", "events"),
        (changed("port: 1502", "port: 1502\n    may: [hold_cleared]") + "guard: guard.yaml\n",
         "9:5", "it alone ends a hold", "Leave 'hold_cleared' out"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_its_place(
    tmp_path: Path, cell: str, place: str, what: str, do: str
) -> None:
    with pytest.raises(FileRefused) as refused:
        load(tmp_path, cell)
    told = [str(problem) for problem in refused.value.problems]
    fitting = [line for line in told if what in line and do in line]
    assert fitting, told
    assert any(f"cell.yaml:{place}:" in line for line in fitting), fitting


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "127.8.8.8"])
def test_this_computer_needs_no_names(tmp_path: Path, address: str) -> None:
    entry = load(tmp_path, changed("port: 1502", f"port: 1502\n    host: '{address}'"))
    assert entry.peers == []


# --- after an edit ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("  done: {", "  finished: {", "no event 'done'"),
        ("item: [the mug, the lamp]", "item: [the cup, the lamp]", "cannot be 'the mug'"),
        ("item: [the mug, the lamp]", "item: [the mug, the lamp, the kettle]", "'the kettle'"),
        ("carton", "box", "'box', which has no number"),
        ("count: [1, 2, 3]", "count: [1, 2, 40000]", "which no register holds"),
        ("slots: [item, count]", "slots: [item, count, order]", "'order', which has no place"),
    ],
)
def test_an_edit_that_leaves_something_without_its_number_is_refused(
    tmp_path: Path, old: str, new: str, what: str
) -> None:
    with pytest.raises(FileRefused) as refused:
        load(tmp_path, book=changed(old, new, BOOK))
    assert any(what in str(problem) for problem in refused.value.problems)


def test_an_edit_that_only_adds_or_moves_events_changes_no_number(tmp_path: Path) -> None:
    before = RegisterMap(load(tmp_path), small_book(tmp_path))
    events = BOOK.index("events:\n") + len("events:\n")
    added = BOOK[:events] + "  anew: {about: New., lines: [New.]}\n" + BOOK[events:]
    moved = changed("slots: [item, count]", "slots: [count, item]", added)
    after_entry = load(tmp_path, book=moved)
    assert RegisterMap(after_entry, load_cell(tmp_path / "cell.yaml").phrasebook).check \
        == before.check
    assert after_entry.numbers.events["pick"] == 7


def test_the_maps_mark_changes_with_every_number_and_address(tmp_path: Path) -> None:
    book = small_book(tmp_path)
    marks = [small_map(book).check]
    for change in (
        {"commands_at": 200}, {"status_at": 300}, {"channels": 3},
        {"numbers": NUMBERS.model_copy(update={"events": {**NUMBERS.events, "done": 4}})},
        {"numbers": NUMBERS.model_copy(update={"answers": {"carton": 4, "pallet": 11}})},
    ):  # fmt: skip
        marks.append(small_map(book, **change).check)
    for name, value in (("place", 3), ("values", {"the mug": 1, "the lamp": 5})):
        item = NUMBERS.slots["item"].model_copy(update={name: value})
        slots = {**NUMBERS.slots, "item": item}
        marks.append(small_map(book, numbers=NUMBERS.model_copy(update={"slots": slots})).check)
    assert len(set(marks)) == len(marks)
    assert small_map(book, host="::1", poll_ms=500, port=1).check == marks[0]


# --- proposals ----------------------------------------------------------------------------

NAMES = st.text(string.ascii_lowercase, min_size=1, max_size=3)


@st.composite
def books(draw: st.DrawFn) -> Phrasebook:
    """Random events with random slots, words, numbers and questions."""
    slots: dict[str, tuple[str | int, ...] | None] = draw(st.dictionaries(
        NAMES, st.none() | st.lists(NAMES, min_size=1, max_size=4, unique=True).map(tuple)
        | st.lists(st.integers(0, 9), min_size=1, max_size=4, unique=True).map(tuple),
        max_size=6))  # fmt: skip
    questions = draw(st.dictionaries(
        NAMES, st.lists(NAMES, min_size=1, max_size=4, unique=True), max_size=3))  # fmt: skip
    events = {}
    for name in draw(st.lists(NAMES, min_size=1, max_size=8, unique=True)):
        used = draw(st.lists(st.sampled_from(sorted(slots)), unique=True)) if slots else []
        asks = draw(st.none() | st.sampled_from(sorted(questions))) if questions else None
        events[name] = EventLines(
            name, "", tuple(used), Priority.MOVE, 5.0, True, None, asks, ())
    return Phrasebook(
        "", "en", MappingProxyType(slots), events,
        {name: Question(name, {answer: (answer,) for answer in answers})
         for name, answers in questions.items()}, {})  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(before=books(), after=books())
def test_proposals_fit_and_never_change_a_number_that_was_given(
    before: Phrasebook, after: Phrasebook
) -> None:
    first = suggested(NumbersEntry(), before, guarded=False)
    entry = ModbusEntry.model_validate({"role": "server", "numbers": first})
    assert list(findings(entry, before, guarded=False)) == []
    both = replace(
        after, events={**before.events, **after.events},
        questions={**before.questions, **after.questions},
        slot_values={**before.slot_values, **after.slot_values})
    second = suggested(first, both, guarded=False)
    assert second.events.items() >= first.events.items()
    assert second.answers.items() >= first.answers.items()
    for name, slot in first.slots.items():
        assert second.slots[name].place == slot.place
        assert second.slots[name].values.items() >= slot.values.items()
    for numbers in (second.events, second.answers):
        assert len(set(numbers.values())) == len(numbers)
    new = set(second.events) - set(first.events)
    assert all(second.events[name] > max(first.events.values()) for name in new)
