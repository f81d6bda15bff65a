"""The hand-shake's rules all together: random sequences against a model of a few lines."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tablevoice.errors import MessageRefused
from tablevoice.links import messages
from tablevoice.links.messages import EventReported
from tablevoice.links.modbus_codes import Refusal, State
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, Command, RegisterMap, Status
from tablevoice.links.rights import ALL_RIGHTS
from tests.links.modbus_cells import Controller, ask_hold, hold_of, small_map
from tests.links.paper_table import small_book

DONE = 3
NUMBERS = st.integers(0, 4)


@cache
def _map_once() -> RegisterMap:
    with tempfile.TemporaryDirectory() as folder:
        return small_map(small_book(Path(folder)))


class Sequences(RuleBasedStateMachine):
    """Two channels, numbers that repeat a lot, restarts and losses, against a simple model.

    The model knows one thing a channel: the number that was looked at last. A number counts
    if it is neither 0 nor that one, and no event is open.
    """

    @initialize()
    def begin(self) -> None:
        self.map = _map_once()
        self.registers: list[int | None] = [None] * self.map.command_count
        self.start()

    def start(self) -> None:
        self.controller = Controller(self.map, ALL_RIGHTS, self.registers)
        self.last: list[int | None] = [None, None]
        self.open: list[str] = ["", ""]
        self.holds = 0
        self.acknowledged = True

    def look(self, age_s: float = 0.0) -> None:
        due = []
        for channel in (0, 1):
            given = self.registers[self.map.command(channel, ChannelCommand.SEQUENCE)]
            if given is None or (self.last[channel] is not None and (
                    given in (0, self.last[channel]) or self.open[channel])):
                continue
            if self.last[channel] is not None:
                due.append(channel)
            self.last[channel] = given
        asked = self.controller.look(age_s)
        self.controller.now_s += 0.01
        events = [one for one in asked if isinstance(one, EventReported)]
        refused = [one for one in asked if isinstance(one, MessageRefused)]
        assert len(events) + len(refused) == len(due)
        for event in events:
            channel = int(event.id[0]) - 1
            assert channel in due
            assert age_s <= 4
            self.open[channel] = event.id

    @rule(channel=st.sampled_from([0, 1]), number=NUMBERS, event=st.sampled_from([DONE, 4]))
    def write(self, channel: int, number: int, event: int) -> None:
        self.registers[self.map.command(channel, ChannelCommand.EVENT)] = event
        self.registers[self.map.command(channel, ChannelCommand.SEQUENCE)] = number
        self.look()

    @rule(channel=st.sampled_from([0, 1]), number=NUMBERS, age_s=st.sampled_from([1.0, 5.0]))
    def write_while_the_link_is_lost(self, channel: int, number: int, age_s: float) -> None:
        self.registers[self.map.command(channel, ChannelCommand.EVENT)] = DONE
        self.registers[self.map.command(channel, ChannelCommand.SEQUENCE)] = number
        self.look(age_s)

    @rule(channel=st.sampled_from([0, 1]))
    def the_event_ends(self, channel: int) -> None:
        if self.open[channel]:
            self.controller.told(
                messages.Done(at_s=1.0, id=self.open[channel], said="said"))
            self.open[channel] = ""
            assert self.controller.shown(ChannelStatus.STATE, channel) == State.DONE
            self.look()

    @rule()
    def the_table_starts_anew(self) -> None:
        self.start()

    @rule()
    def the_controller_starts_anew(self) -> None:
        self.registers[:] = [0] * len(self.registers)
        self.look()

    @rule(kind=st.sampled_from(["pause", "stop"]))
    def a_hold_is_asked_for(self, kind: str) -> None:
        ask_hold(self.controller, kind)
        self.acknowledged = False

    @precondition(lambda self: not self.acknowledged)
    @rule()
    def the_hold_is_acknowledged(self) -> None:
        self.look()  # the controller polls before it answers
        if self.registers[Command.HOLD_ACKNOWLEDGED] is None:
            self.registers[Command.HOLD_ACKNOWLEDGED] = 0
            self.look()
        number, _ = hold_of(self.controller)
        assert self.registers[Command.HOLD_ACKNOWLEDGED] != number
        self.registers[Command.HOLD_ACKNOWLEDGED] = number
        self.acknowledged = True
        self.look()

    @invariant()
    def the_registers_say_what_the_model_says(self) -> None:
        if not hasattr(self, "controller"):
            return
        status = self.controller.status
        assert all(0 <= register <= 0xFFFF for register in status)
        assert (status[Status.HOLD_KIND] == 0) == self.acknowledged
        for channel in (0, 1):
            shown = {what: status[self.map.status(channel, what)] for what in ChannelStatus}
            echo, state, refusal = (
                shown[ChannelStatus.ECHO], State(shown[ChannelStatus.STATE]),
                Refusal(shown[ChannelStatus.REFUSAL]))  # fmt: skip
            last = self.last[channel]
            assert (state is State.UNSEEN) == (last is None)
            assert echo == (last or 0)
            assert (state is State.TAKEN) == bool(self.open[channel])
            assert (state is State.REFUSED) == (refusal is not Refusal.NONE)


TestSequences = Sequences.TestCase
TestSequences.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
