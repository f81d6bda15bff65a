"""The sheet for the controller's programmer: the same numbers in every form, and text that runs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tablevoice.links import messages
from tablevoice.links.messages import EventReported, HoldClearedReported
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, Command, RegisterMap, Status
from tablevoice.links.modbus_settings import NumbersEntry, SlotEntry
from tablevoice.links.modbus_sheet import CAUTIONS, not_numbered, sections
from tablevoice.links.modbus_structured_text import identifier, structured_text
from tablevoice.links.rights import ALL_RIGHTS
from tests.links.modbus_cells import Controller, small_map
from tests.links.paper_table import small_book
from tests.links.structured_text import Text

EVERYTHING = ["events", "buttons", "hold_cleared"]


@pytest.fixture(scope="module")
def register_map(tmp_path_factory: pytest.TempPathFactory) -> RegisterMap:
    book = small_book(tmp_path_factory.mktemp("book"))
    return small_map(book, may=EVERYTHING, commands_at=40, status_at=500, channels=3)


# --- the same numbers everywhere ---------------------------------------------------------


def test_every_place_of_the_structured_text_is_that_of_the_map(register_map: RegisterMap) -> None:
    text = Text(structured_text(register_map, "small bench"), lambda: 0.0)
    got = text.constants
    for place in Command:
        assert got[f"TV_C_{place.name}"] == place
    for its in Status:
        assert got[f"TV_S_{its.name}"] == its
    for channel in range(3):
        for what in ChannelCommand:
            at = got["TV_CHANNELS_C"] + channel * got["TV_CHANNEL_C"] + got[f"TV_CH_{what.name}"]
            assert at == register_map.command(channel, what)
        for shown in ChannelStatus:
            at = got["TV_CHANNELS_S"] + channel * got["TV_CHANNEL_S"] + got[f"TV_CS_{shown.name}"]
            assert at == register_map.status(channel, shown)
        slots = register_map.command(channel, ChannelCommand.SLOTS)
        assert slots + got["TV_SLOT_ITEM"] - 1 == register_map.slot(channel, "item")
    assert text.arrays["TvCommands"] == register_map.command_count
    assert text.arrays["TvStatus"] == register_map.status_count
    assert got["TV_MAP_HIGH"] * 65_536 + got["TV_MAP_LOW"] == register_map.check
    assert (got["TV_EV_PICK"], got["TV_ANSWER_CARTON"], got["TV_V_ITEM_THE_MUG"]) == (7, 11, 5)


def test_the_sheet_names_every_register_once_with_both_ways_of_counting(
    register_map: RegisterMap,
) -> None:
    rows = [row for section in sections(register_map) if section.kind in ("command", "status")
            for row in section.rows]
    addresses = [int(address) for address, *_ in rows]
    assert len(set(addresses)) == len(addresses)
    assert all(int(reference) == 40_001 + int(address) for address, reference, *_ in rows)
    named = {name: int(address) for address, _, name, _ in rows}
    assert named["HOLD_ACKNOWLEDGED"] == 40 + Command.HOLD_ACKNOWLEDGED
    assert named["CHANNEL 3 slot item"] == 40 + register_map.slot(2, "item")
    assert named["CHANNEL 2 STATE"] == 500 + register_map.status(1, ChannelStatus.STATE)
    assert min(addresses) == 40
    assert max(addresses) == 500 + register_map.status_count - 1


def test_the_sheet_tells_each_number_of_the_cell_file(register_map: RegisterMap) -> None:
    rows = {section.kind: section.rows for section in sections(register_map)}
    assert [(row[0], row[2]) for row in rows["event"]] == [
        ("3", "done"), ("7", "pick"), ("9", "began"), ("12", "clear"), ("20", "size")]
    assert {(row[0], row[2]) for row in rows["value"]} == {
        ("5", "item = the mug"), ("1", "item = the lamp")}
    assert ("11", "", "carton", "") in rows["answer"]
    assert not_numbered(register_map) == ["again", "confirm", "button", "held"]
    shared = next(row for row in rows["command"] if row[2] == "CHANNEL 1 slot count or order")
    assert shared[3] == "count: a whole number: 1 to 3; order: a whole number, -32768 to 32767"


def test_the_cautions_come_first(register_map: RegisterMap) -> None:
    text = structured_text(register_map, "small bench")
    squeezed = " ".join(text.split())
    places = [squeezed.index(" ".join(caution.split())) for caution in CAUTIONS]
    assert places == sorted(places)
    assert places[-1] < squeezed.index("VAR_GLOBAL")


def test_without_the_right_the_text_cannot_clear_a_hold(register_map: RegisterMap) -> None:
    text = structured_text(small_map(register_map.book), "small bench")
    assert "Commands[TV_C_HOLD_CLEARED]" not in text
    assert "Commands[TV_C_HOLD_CLEARED]" in structured_text(register_map, "small bench")


@pytest.mark.parametrize(
    ("name", "plain"),
    [("the mug", "THE_MUG"), ("Größe_2", "NO_7"), ("안녕", "NO_7"), ("a__b - c", "A_B_C"),
     ("café", "CAFE"), ("*)", "NO_7")],
)  # fmt: skip
def test_a_name_becomes_an_identifier_or_its_number(name: str, plain: str) -> None:
    assert identifier(name, 7) == plain
    # IEC 61131-3: letters, digits, single underscores (from memory).
    assert re.fullmatch(r"[A-Z0-9]+(_[A-Z0-9]+)*", plain)


def test_names_that_look_alike_stay_apart_and_none_ends_a_comment(
    register_map: RegisterMap,
) -> None:
    numbers = NumbersEntry(
        events={"done": 1},
        slots={"item": SlotEntry(place=1, values={"a b": 1, "a-b": 2, "*) c": 3})},
        answers={"carton": 1, "pallet": 2})  # fmt: skip
    text = structured_text(small_map(register_map.book, numbers=numbers), "bench *) (* x")
    constants = Text(text, lambda: 0.0).constants
    assert constants["TV_V_ITEM_A_B_NO_1"] == 1
    assert constants["TV_V_ITEM_A_B_NO_2"] == 2
    assert text.count("(*") == text.count("*)")


# --- the text runs ------------------------------------------------------------------------


class Plant:
    """A controller that runs the structured text, cycle by cycle, before a hand-shake."""

    def __init__(self, register_map: RegisterMap) -> None:
        self.now_s = 0.0
        self.text = Text(structured_text(register_map, "small bench"), lambda: self.now_s)
        self.map = register_map
        self.commands = self.text.array("TvCommands")
        self.status = self.text.array("TvStatus")
        self.wanted: dict[str, Any] = {"Execute": False, "Event": 0}
        self.holding = False
        self.reset = False
        self.asked: list[EventReported | HoldClearedReported] = []
        self.reads = True
        self.power_up()
        self.table_starts()

    def power_up(self) -> None:
        self.table, self.event = self.text.block("TvTable"), self.text.block("TvEvent")
        self.commands[:] = [0] * len(self.commands)

    def table_starts(self) -> None:
        unseen: list[int | None] = [None] * self.map.command_count
        self.controller = Controller(self.map, ALL_RIGHTS, unseen)

    def cycles(self, count: int = 30) -> None:
        """0.1 s each: read, run, write."""
        for _ in range(count):
            self.now_s += 0.1
            self.controller.now_s = self.now_s
            if self.reads:
                self.status[:] = self.controller.status
            self.table(Holding=self.holding, ResetDone=self.reset, Commands=self.commands,
                       Status=self.status)
            self.event(**self.wanted, Channel=1, Linked=self.table.Linked, Commands=self.commands,
                       Status=self.status)
            if self.reads:
                self.controller.registers[:] = self.commands
                self.asked += [one for one in self.controller.look()
                               if isinstance(one, EventReported | HoldClearedReported)]

    def send(self, event: int, **slots: int) -> None:
        self.wanted = {"Execute": False, "Event": event}
        self.cycles(2)
        for name, value in slots.items():
            self.event.Slots[self.text.constants[f"TV_SLOT_{name.upper()}"] - 1] = value
        self.wanted["Execute"] = True
        self.cycles(3)


@pytest.fixture
def plant(register_map: RegisterMap) -> Iterator[Plant]:
    plant = Plant(register_map)
    plant.cycles()
    assert plant.table.Linked
    yield plant
    assert all(0 <= register <= 0xFFFF for register in plant.commands)


def test_the_text_sends_an_event_once_and_waits_for_its_end(plant: Plant) -> None:
    plant.send(7, item=5, count=2)
    (event,) = plant.asked
    assert isinstance(event, EventReported)
    assert (event.event, event.slots) == ("pick", {"item": "the mug", "count": 2})
    assert plant.event.Busy
    plant.controller.told(messages.Done(at_s=1.0, id=event.id, said="said"))
    plant.cycles()
    assert (plant.event.Done, plant.event.Error, plant.event.Busy) == (True, False, False)
    assert len(plant.asked) == 1  # Execute is still there, and sends nothing again


def test_the_text_gets_an_answer(plant: Plant) -> None:
    plant.send(20)
    (event,) = plant.asked
    plant.controller.told(messages.AnswerGiven(
        at_s=1.0, id=event.id or "", question="size", value="carton", how="voice",
        certainty=0.9, tries=1))  # fmt: skip
    plant.cycles(3)
    assert (plant.event.Done, plant.event.Answer, plant.event.Certainty) == (True, 11, 9000)


def test_a_negative_number_arrives_as_one(plant: Plant) -> None:
    plant.send(9, order=-3)
    (event,) = plant.asked
    assert isinstance(event, EventReported)
    assert event.slots == {"order": -3}


def test_the_text_tells_a_refusal(plant: Plant) -> None:
    plant.send(555)
    plant.cycles(3)
    assert (plant.event.Error, plant.event.Refusal, plant.event.TimedOut) == (True, 2, False)


def test_after_a_power_up_in_the_middle_the_text_says_nothing_twice_and_loses_nothing(
    plant: Plant,
) -> None:
    plant.send(3)
    plant.controller.told(messages.Done(at_s=1.0, id=plant.asked[0].id or "", said="said"))
    plant.cycles(3)
    plant.wanted["Execute"] = False
    plant.power_up()
    plant.cycles()
    assert len(plant.asked) == 1
    plant.send(3)
    assert len(plant.asked) == 2


def test_when_the_table_starts_anew_in_the_middle_the_text_knows_that_it_does_not_know(
    plant: Plant,
) -> None:
    plant.send(20)
    plant.table_starts()
    plant.cycles()
    assert (plant.event.Error, plant.event.Refusal) == (True, 1)
    assert len(plant.asked) == 1
    plant.send(20)
    assert len(plant.asked) == 2


def test_a_table_that_is_gone_is_seen_and_what_it_never_saw_is_taken_back(plant: Plant) -> None:
    plant.reads = False
    plant.cycles(25)
    assert not plant.table.Alive
    plant.wanted = {"Execute": True, "Event": 3, "TimeOut": 1.0}
    plant.cycles(15)
    assert (plant.event.Error, plant.event.TimedOut) == (True, True)
    plant.wanted["Execute"] = False
    plant.reads = True
    plant.cycles()
    assert plant.table.Linked
    assert plant.asked == []


def test_a_table_with_other_numbers_is_sent_nothing(
    plant: Plant, register_map: RegisterMap
) -> None:
    plant.map = small_map(register_map.book, commands_at=40, status_at=500, channels=3,
                          numbers=NumbersEntry(events={"done": 3}))
    plant.table_starts()
    plant.cycles()
    assert (plant.table.Alive, plant.table.SameMap, plant.table.Linked) == (True, False, False)
    plant.send(3)
    assert plant.asked == []


def test_the_text_acknowledges_a_hold_while_the_cell_holds_and_clears_it_by_the_reset(
    plant: Plant,
) -> None:
    for number in (1, 2):
        plant.controller.told(messages.HoldRequest(
            at_s=1.0, kind="stop", phrase="stop", certainty=0.9))
        plant.cycles(2)
        assert (plant.table.HoldRequested, plant.table.HoldKind) == (True, 2)
        plant.holding = True
        plant.cycles(2)
        assert not plant.table.HoldRequested
        assert len(plant.asked) == number - 1
        plant.reset = True
        plant.cycles(2)
        plant.reset = plant.holding = False
        plant.cycles(2)
        assert len(plant.asked) == number
