"""The hand-shake's rules one by one; ``test_modbus_sequences`` has them all together."""

from __future__ import annotations

import pytest

from tablevoice.errors import MessageRefused
from tablevoice.links import messages
from tablevoice.links.messages import EventReported
from tablevoice.links.modbus_codes import NO_NUMBER, Bit, Fate, HoldKind, How, Refusal, State
from tablevoice.links.modbus_handshake import Asked, Handshake
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, Command, RegisterMap, Status
from tablevoice.links.rights import ALL_RIGHTS
from tablevoice.model import TableView
from tests.links.modbus_cells import READY, Controller, ask_hold, hold_of, small_map
from tests.links.paper_table import small_book

DONE, PICK, BEGAN, SIZE = 3, 7, 9, 20
CARTON = 11


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> RegisterMap:
    return small_map(small_book(tmp_path_factory.mktemp("book")))


@pytest.fixture
def controller(small: RegisterMap) -> Controller:
    controller = Controller(small)
    assert controller.look() == []
    return controller


def the_event(asked: list[Asked]) -> EventReported:
    (event,) = asked
    assert isinstance(event, EventReported)
    return event


def the_refusal(asked: list[Asked]) -> MessageRefused:
    (refused,) = asked
    assert isinstance(refused, MessageRefused)
    assert refused.problem.do
    return refused


# --- events -----------------------------------------------------------------------------


def test_an_event_counts_when_its_number_changes_and_only_then(controller: Controller) -> None:
    assert controller.channel() == (0, State.IDLE, Refusal.NONE)
    event = the_event(controller.send(1, PICK, item=1, count=3))
    assert (event.event, event.slots) == ("pick", {"item": "the lamp", "count": 3})
    assert controller.channel() == (1, State.TAKEN, Refusal.NONE)
    assert controller.look() == []
    controller.told(messages.Done(at_s=1.0, id=event.id, said="said"))
    assert controller.channel() == (1, State.DONE, Refusal.NONE)
    assert controller.shown(ChannelStatus.FATE) == Fate.SAID
    assert controller.send(1, DONE) == []
    assert the_event(controller.send(2, DONE)).event == "done"
    assert controller.shown(ChannelStatus.FATE) == Fate.NONE


def test_an_answer_comes_with_its_certainty_and_how_it_was_given(controller: Controller) -> None:
    event = the_event(controller.send(9, SIZE))
    controller.told(messages.AnswerGiven(
        at_s=2.0, id=event.id, question="size", value="carton", how="confirmed",
        certainty=0.8765, tries=2))  # fmt: skip
    shown = [controller.shown(what) for what in (
        ChannelStatus.STATE, ChannelStatus.ANSWER, ChannelStatus.HOW, ChannelStatus.CERTAINTY,
        ChannelStatus.TRIES)]  # fmt: skip
    assert shown == [State.ANSWERED, CARTON, How.CONFIRMED, 8765, 2]


@pytest.mark.parametrize(("value", "number"), [(None, 0), ("crate", NO_NUMBER)])
def test_no_answer_is_0_and_one_without_a_number_is_none_of_the_others(
    controller: Controller, value: str | None, number: int
) -> None:
    event = the_event(controller.send(1, SIZE))
    controller.told(messages.AnswerGiven(
        at_s=2.0, id=event.id, question="size", value=value, how="nobody", certainty=0.0,
        tries=3))  # fmt: skip
    assert controller.shown(ChannelStatus.ANSWER) == number


def test_0_is_nothing_and_a_number_after_it_is_the_same_event_still(
    controller: Controller,
) -> None:
    # As when an I/O block loses its power, and its controller writes the same number again.
    controller.told(messages.Done(at_s=1.0, said="said", id=the_event(controller.send(8, DONE)).id))
    assert controller.send(0, 0) == []
    assert controller.send(8, DONE) == []
    assert controller.channel() == (8, State.DONE, Refusal.NONE)
    assert the_event(controller.send(1, DONE)).event == "done"


@pytest.mark.parametrize(
    ("event", "slots", "why"),
    [
        (0, {}, Refusal.UNKNOWN_EVENT),
        (4, {}, Refusal.UNKNOWN_EVENT),
        (PICK, {"item": 2, "count": 1}, Refusal.SLOT_OUT_OF_RANGE),
        (PICK, {"item": 1, "count": 4}, Refusal.SLOT_OUT_OF_RANGE),
        (PICK, {"item": 1, "count": 65_535}, Refusal.SLOT_OUT_OF_RANGE),
    ],
)
def test_what_means_nothing_is_refused_with_its_code(
    controller: Controller, event: int, slots: dict[str, int], why: Refusal
) -> None:
    the_refusal(controller.send(3, event, **slots))
    assert controller.channel() == (3, State.REFUSED, why)
    assert the_event(controller.send(4, DONE)).event == "done"


@pytest.mark.parametrize(
    ("register", "value"), [(0, 0), (32_767, 32_767), (32_768, -32_768), (65_535, -1)]
)
def test_whole_numbers_are_twos_complement(
    controller: Controller, register: int, value: int
) -> None:
    assert the_event(controller.send(1, BEGAN, order=register)).slots == {"order": value}


def test_channels_carry_events_at_the_same_time(controller: Controller) -> None:
    asking = the_event(controller.send(1, SIZE))
    telling = the_event(controller.send(1, DONE, channel=1))
    assert asking.id != telling.id
    controller.told(messages.Done(at_s=1.0, id=telling.id, said="cut"))
    assert controller.channel(0) == (1, State.TAKEN, Refusal.NONE)
    assert controller.channel(1) == (1, State.DONE, Refusal.NONE)


def test_a_number_that_comes_too_soon_waits_for_its_channel_and_may_grow_stale(
    controller: Controller,
) -> None:
    asking = the_event(controller.send(1, SIZE))
    assert controller.send(2, DONE) == []
    assert controller.channel() == (1, State.TAKEN, Refusal.NONE)
    controller.now_s = 3.9
    controller.told(messages.Done(at_s=1.0, id=asking.id, said="said"))
    assert the_event(controller.look()).event == "done"
    assert controller.send(3, DONE) == []
    controller.now_s += 4.1  # "done" is fresh for 4 s
    controller.told(messages.ErrorReported(at_s=1.0, what="?", id="1.2.2"))
    the_refusal(controller.look())
    assert controller.channel() == (3, State.REFUSED, Refusal.STALE)


def test_what_may_be_older_than_its_worth_after_a_loss_is_refused(controller: Controller) -> None:
    controller.registers[controller.map.command(0, ChannelCommand.EVENT)] = DONE
    controller.registers[controller.map.command(0, ChannelCommand.SEQUENCE)] = 5
    the_refusal(controller.look(age_s=4.5))
    assert controller.channel() == (5, State.REFUSED, Refusal.STALE)
    controller.registers[controller.map.command(0, ChannelCommand.SEQUENCE)] = 6
    assert the_event(controller.look(age_s=3.5)).event == "done"


def test_nothing_is_taken_before_the_table_is_ready_nor_after_it_closed(
    small: RegisterMap,
) -> None:
    controller = Controller(small)
    assert controller.status[Status.BITS] & Bit.READY
    controller.told(messages.Closed(at_s=1.0))
    assert controller.send(1, DONE) == []
    assert not controller.status[Status.BITS] & Bit.READY
    assert controller.shown(ChannelStatus.STATE) == State.UNSEEN


# --- restarts ---------------------------------------------------------------------------


def test_what_stood_there_when_the_table_started_is_told_apart_and_never_taken(
    controller: Controller,
) -> None:
    controller.send(8, DONE)
    after = Controller(controller.map, registers=controller.registers)
    assert after.look() == []
    assert after.channel() == (8, State.REFUSED, Refusal.STARTED_ANEW)
    assert the_event(after.send(9, DONE)).event == "done"


def test_each_channel_is_known_by_itself_after_a_start(small: RegisterMap) -> None:
    registers: list[int | None] = [None] * small.command_count
    controller = Controller(small, registers=registers)
    assert controller.send(4, DONE) == []
    assert controller.channel(0) == (4, State.REFUSED, Refusal.STARTED_ANEW)
    assert controller.channel(1) == (0, State.UNSEEN, Refusal.NONE)
    assert controller.send(6, DONE, channel=1) == []
    assert controller.channel(1) == (6, State.REFUSED, Refusal.STARTED_ANEW)


def test_a_controller_that_starts_anew_and_goes_on_from_the_echo_loses_nothing(
    controller: Controller,
) -> None:
    event = the_event(controller.send(1, DONE))
    controller.told(messages.Done(at_s=1.0, id=event.id, said="said"))
    controller.registers[:] = [0] * len(controller.registers)
    assert controller.look() == []
    echo = controller.shown(ChannelStatus.ECHO)
    assert the_event(controller.send(echo + 1, DONE)).event == "done"


# --- rights -----------------------------------------------------------------------------


def test_nothing_is_taken_without_its_right(small: RegisterMap) -> None:
    controller = Controller(small, frozenset())
    controller.look()
    the_refusal(controller.send(1, DONE))
    assert controller.channel() == (1, State.REFUSED, Refusal.MAY_NOT)
    the_refusal(controller.write(button=CARTON, button_sequence=1))
    assert controller.status[Status.BUTTON_REFUSAL] == Refusal.MAY_NOT
    controller.told(messages.HoldRequest(at_s=1.0, kind="stop", phrase="stop", certainty=0.9))
    the_refusal(controller.write(hold_cleared=1))
    assert controller.status[Status.HOLD_CLEARED_REFUSAL] == Refusal.MAY_NOT
    assert controller.status[Status.HOLD_KIND] == HoldKind.STOP


# --- buttons ----------------------------------------------------------------------------


def test_a_button_counts_when_its_number_changes(controller: Controller) -> None:
    (press,) = controller.write(button=CARTON, button_sequence=1)
    assert isinstance(press, messages.ButtonPressed)
    assert press.button == "carton"
    assert controller.write(button=CARTON, button_sequence=1) == []
    status = controller.status
    assert (status[Status.BUTTON_ECHO], status[Status.BUTTON_REFUSAL]) == (1, Refusal.NONE)
    the_refusal(controller.write(button=5, button_sequence=2))
    status = controller.status
    assert (status[Status.BUTTON_ECHO], status[Status.BUTTON_REFUSAL]) == (
        2, Refusal.UNKNOWN_ANSWER)  # fmt: skip


@pytest.mark.parametrize(
    ("view", "why"),
    [
        ({}, Refusal.NO_QUESTION),
        ({"phase": "listening"}, Refusal.NOT_AN_ANSWER),
        ({"phase": "held", "hold": "stop"}, Refusal.HELD),
    ],
)
def test_a_press_that_the_table_refuses_says_why(
    controller: Controller, view: dict[str, str], why: Refusal
) -> None:
    (press,) = controller.write(button=CARTON, button_sequence=1)
    assert isinstance(press, messages.ButtonPressed)
    controller.told(messages.ErrorReported(at_s=1.0, what="?", id=press.id), **view)
    assert controller.status[Status.BUTTON_REFUSAL] == why


def test_a_press_from_before_a_loss_answers_no_later_question(controller: Controller) -> None:
    controller.registers[Command.BUTTON] = CARTON
    controller.registers[Command.BUTTON_SEQUENCE] = 1
    the_refusal(controller.look(age_s=2.5))
    assert controller.status[Status.BUTTON_REFUSAL] == Refusal.STALE


# --- holds ------------------------------------------------------------------------------


def test_a_hold_request_stays_until_it_is_acknowledged_with_its_number(
    controller: Controller,
) -> None:
    ask_hold(controller, "stop")
    assert hold_of(controller) == (1, HoldKind.STOP)
    controller.write(hold_acknowledged=7)
    assert hold_of(controller) == (1, HoldKind.STOP)
    ask_hold(controller, "pause")  # does not make a stop less
    assert hold_of(controller) == (2, HoldKind.STOP)
    controller.write(hold_acknowledged=1)  # an older one
    assert hold_of(controller) == (2, HoldKind.STOP)
    assert controller.status[Status.BITS] & Bit.HOLD_REQUESTED
    controller.write(hold_acknowledged=2)
    assert hold_of(controller) == (2, HoldKind.NONE)
    assert not controller.status[Status.BITS] & Bit.HOLD_REQUESTED


@pytest.mark.parametrize("register", ["hold_acknowledged", "hold_cleared"])
def test_a_number_that_stood_there_before_never_answers_a_new_hold(
    small: RegisterMap, register: str
) -> None:
    registers: list[int | None] = [None] * small.command_count
    controller = Controller(small, ALL_RIGHTS, registers)
    ask_hold(controller, "pause")
    assert hold_of(controller) == (1, HoldKind.PAUSE)
    assert controller.write(**{register: 1}) == []  # of before the table started
    assert hold_of(controller) == (2, HoldKind.PAUSE)
    ask_hold(controller, "pause")
    number, _ = hold_of(controller)
    assert number == 3
    asked = controller.write(**{register: 3})
    assert hold_of(controller) == (3, HoldKind.NONE)
    assert len(asked) == (register == "hold_cleared")


def test_only_the_newest_hold_can_be_cleared_and_only_once(small: RegisterMap) -> None:
    controller = Controller(small, ALL_RIGHTS)
    controller.look()
    ask_hold(controller, "pause")
    ask_hold(controller, "pause")
    the_refusal(controller.write(hold_cleared=1))
    assert controller.status[Status.HOLD_CLEARED_REFUSAL] == Refusal.NOT_THIS_HOLD
    (cleared,) = controller.write(hold_cleared=2)
    assert isinstance(cleared, messages.HoldClearedReported)
    assert controller.status[Status.HOLD_CLEARED_REFUSAL] == Refusal.NONE
    assert controller.write(hold_cleared=2) == []
    assert controller.write(hold_cleared=0) == []


def test_a_reset_from_before_a_loss_clears_nothing(small: RegisterMap) -> None:
    controller = Controller(small, ALL_RIGHTS)
    controller.look()
    ask_hold(controller, "stop")
    controller.registers[Command.HOLD_CLEARED] = 1
    the_refusal(controller.look(age_s=2.5))
    assert hold_of(controller) == (1, HoldKind.STOP)


def test_where_a_guard_watches_a_cleared_hold_is_refused(small: RegisterMap) -> None:
    controller = Controller(small, ALL_RIGHTS)
    controller.told(messages.GuardReported(
        at_s=0.0, state="permitted", permit=True, proven=True, armed=True))
    controller.look()
    assert controller.status[Status.BITS] & (Bit.ARMED | Bit.GUARDED) == Bit.ARMED | Bit.GUARDED
    ask_hold(controller, "stop")
    (cleared,) = controller.write(hold_cleared=1)
    assert isinstance(cleared, messages.HoldClearedReported)
    controller.told(messages.ErrorReported(at_s=1.0, what="?", id=cleared.id))
    assert controller.status[Status.HOLD_CLEARED_REFUSAL] == Refusal.GUARDED
    assert hold_of(controller) == (1, HoldKind.STOP)


def test_a_hold_from_before_a_restart_is_asked_for_again(small: RegisterMap) -> None:
    handshake = Handshake(small, ALL_RIGHTS, start=1)
    held = TableView("held", False, False, "pause", small.book)
    handshake.told(READY, held)
    status = handshake.status(0.0, held)
    assert (status[Status.HOLD_SEQUENCE], status[Status.HOLD_KIND]) == (1, HoldKind.PAUSE)
    assert status[Status.BITS] & Bit.HELD


# --- what the table refuses -------------------------------------------------------------


@pytest.mark.parametrize(
    ("event", "view", "why"),
    [
        (SIZE, {"phase": "held", "hold": "pause"}, Refusal.HELD),
        (SIZE, {"phase": "listening"}, Refusal.QUESTION_OPEN),
        (SIZE, {}, Refusal.OTHER),
        (DONE, {"phase": "held", "hold": "pause"}, Refusal.OTHER),
    ],
)
def test_an_event_that_the_table_refuses_says_why(
    controller: Controller, event: int, view: dict[str, str], why: Refusal
) -> None:
    asked = the_event(controller.send(1, event))
    controller.told(messages.ErrorReported(at_s=1.0, what="?", id=asked.id), **view)
    assert controller.channel() == (1, State.REFUSED, why)


def test_an_event_before_the_guard_armed_says_so(controller: Controller) -> None:
    asked = the_event(controller.send(1, DONE))
    controller.told(messages.GuardReported(
        at_s=0.0, state="tripped", permit=False, proven=True, armed=False))
    controller.told(messages.ErrorReported(at_s=1.0, what="?", id=asked.id))
    assert controller.channel() == (1, State.REFUSED, Refusal.NOT_ARMED)
