"""The hand-shake over registers: what the controller's registers ask for, what ours tell it.

Pure: registers and messages in, messages and registers out; no clock, no socket. A sequence
number that changes is an event, the same number again is the same event, 0 is nothing. What
stood in the registers when the table started is refused, never taken: nobody knows whether it
was taken before. A hold request stays until it is acknowledged, and only the number of the
newest one clears it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from tablevoice.errors import MessageRefused
from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.links.modbus_codes import (
    FULL_CERTAINTY,
    LAYOUT_VERSION,
    Bit,
    Fate,
    HoldKind,
    How,
    Refusal,
    State,
)
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, Command, RegisterMap, Status
from tablevoice.links.rights import Right
from tablevoice.model import EventLines, Priority, SlotValue, TableView

PRESS_FRESH_S = 2.0
"""A button or a cleared hold that may be older than this is refused: it may have been meant for
another question, or for an earlier hold."""

ALIVE_PER_S = 10
WORDS = 2**16

Registers: TypeAlias = Sequence[int | None]
"""The command block, each register 0 to 65535, or None where nothing was ever written."""
Asked: TypeAlias = Inbound | MessageRefused


@dataclass(slots=True)
class _Channel:
    """One event at a time. ``last``: the newest sequence that was looked at, None before any."""

    last: int | None = None
    event: EventLines | None = None
    event_id: str = ""
    waits: int | None = None
    waits_since_s: float = 0.0
    echo: int = 0
    state: State = State.UNSEEN
    refusal: Refusal = Refusal.NONE
    fate: Fate = Fate.NONE
    answer: int = 0
    how: How = How.NONE
    certainty: int = 0
    tries: int = 0

    def begin(self, sequence: int, event: EventLines, event_id: str) -> None:
        self._clear(sequence, State.TAKEN)
        self.event, self.event_id = event, event_id

    def refuse(self, sequence: int, why: Refusal) -> None:
        self._clear(sequence, State.REFUSED)
        self.refusal = why

    def _clear(self, sequence: int, state: State) -> None:
        self.last = self.echo = sequence
        self.state, self.refusal, self.fate, self.how = state, Refusal.NONE, Fate.NONE, How.NONE
        self.answer = self.certainty = self.tries = 0
        self.event_id = ""


@dataclass(slots=True)
class _Press:
    """A number that counts when it changes: a button's sequence, or a cleared hold."""

    last: int | None = None
    echo: int = 0
    refusal: Refusal = Refusal.NONE
    message_id: str = ""


@dataclass(slots=True)
class _Hold:
    sequence: int = 0
    kind: HoldKind = HoldKind.NONE
    acknowledged: int | None = None


class Handshake:
    """The registers of one controller. Ids of its messages are its own, see ``doors``.

    ``start``: a number for this start of the table, 1 to 65535.
    """

    def __init__(self, register_map: RegisterMap, rights: Collection[Right], start: int) -> None:
        self.use(register_map)
        self._rights = rights
        self._start = start
        self._channels = [_Channel() for _ in range(register_map.entry.channels)]
        self._button = _Press()
        self._cleared = _Press()
        self._hold = _Hold()
        self._ready = False
        self._guarded = False
        self._armed = False
        self._taken = 0

    def use(self, register_map: RegisterMap) -> None:
        """Another phrasebook is in use; numbers stay what the cell file makes them."""
        self._map, self._check = register_map, divmod(register_map.check, WORDS)

    # --- from the controller ------------------------------------------------------------

    def look(self, registers: Registers, now_s: float, age_s: float = 0.0) -> list[Asked]:
        """What is new in the command block, to be given to the table in this order.

        ``age_s``: how old what is new may be at most. A refusal is shown in the registers
        already; it is returned to be reported.
        """
        if not self._ready:
            return []
        asked: list[Asked] = []
        self._look_at_hold(registers, age_s, asked)
        for number, channel in enumerate(self._channels):
            self._look_at_channel(number, channel, registers, now_s, age_s, asked)
        self._look_at_button(registers, age_s, asked)
        return asked

    def _look_at_channel(
        self, number: int, channel: _Channel, registers: Registers, now_s: float, age_s: float,
        asked: list[Asked],
    ) -> None:  # fmt: skip
        sequence = registers[self._map.command(number, ChannelCommand.SEQUENCE)]
        if sequence is None:
            return
        if channel.last is None:
            channel.last, channel.state = 0, State.IDLE
            if sequence:
                channel.refuse(sequence, Refusal.STARTED_ANEW)
            return
        if sequence in (0, channel.last):
            channel.waits = None
            return
        if sequence != channel.waits:
            channel.waits, channel.waits_since_s = sequence, now_s - age_s
        if channel.event_id:
            return  # one at a time: it is looked at when that one is over
        waited_s = now_s - channel.waits_since_s
        try:
            event, slots = self._event(number, registers, waited_s)
        except _Refused as refused:
            channel.refuse(sequence, refused.why)
            asked.append(refused.told(f"channel {number + 1}, sequence {sequence}"))
            return
        self._taken += 1
        channel.begin(sequence, event, f"{number + 1}.{sequence}.{self._taken}")
        asked.append(
            messages.EventReported(id=channel.event_id, event=event.name, slots=slots)
        )  # fmt: skip

    def _event(
        self, number: int, registers: Registers, waited_s: float
    ) -> tuple[EventLines, dict[str, SlotValue]]:
        """The event that stands in a channel. Raises _Refused."""
        if "events" not in self._rights:
            raise _Refused(Refusal.MAY_NOT, "the controller may not report events.",
                           "Name the right 'events' under 'may:' if it shall.")
        given = registers[self._map.command(number, ChannelCommand.EVENT)] or 0
        event = self._map.event(given)
        if event is None:
            raise _Refused(Refusal.UNKNOWN_EVENT, f"no event has the number {given}.",
                           "Compare the controller's numbers with `tablevoice map`.")
        slots: dict[str, SlotValue] = {}
        for name in event.slots:
            value = None
            if name in self._map.entry.numbers.slots:
                register = registers[self._map.slot(number, name)]
                value = None if register is None else self._map.slot_value(name, register)
            if value is None:
                raise _Refused(
                    Refusal.SLOT_OUT_OF_RANGE,
                    f"the register of slot {name!r} holds no value of it (event {event.name!r}).",
                    "Compare the controller's numbers with `tablevoice map`.")
            slots[name] = value
        if waited_s > event.fresh_for_s:
            raise _Refused(Refusal.STALE,
                           f"event {event.name!r} may be {waited_s:.1f} s old, more than its "
                           f"line is worth ({event.fresh_for_s:g} s).",
                           "Send it again with a new number if it still matters.")
        return event, slots

    def _look_at_button(self, registers: Registers, age_s: float, asked: list[Asked]) -> None:
        press = self._button
        sequence = _changed(press, registers[Command.BUTTON_SEQUENCE])
        if sequence is None:
            return
        given = registers[Command.BUTTON] or 0
        answer = self._map.answer(given)
        where = f"button, sequence {sequence}"
        if "buttons" not in self._rights:
            refused = _Refused(Refusal.MAY_NOT, "the controller may not press buttons.",
                               "Name the right 'buttons' under 'may:' if it shall.")
        elif answer is None:
            refused = _Refused(Refusal.UNKNOWN_ANSWER, f"no answer has the number {given}.",
                               "Compare the controller's numbers with `tablevoice map`.")
        elif age_s > PRESS_FRESH_S:
            refused = _stale("the press", age_s)
        else:
            self._taken += 1
            press.message_id = f"button.{sequence}.{self._taken}"
            asked.append(messages.ButtonPressed(button=answer, id=press.message_id))
            return
        press.refusal = refused.why
        asked.append(refused.told(where))

    def _look_at_hold(self, registers: Registers, age_s: float, asked: list[Asked]) -> None:
        self._look_at_acknowledgement(registers[Command.HOLD_ACKNOWLEDGED])
        press, hold = self._cleared, self._hold
        first = press.last is None
        sequence = _changed(press, registers[Command.HOLD_CLEARED])
        if first and press.last and press.last == hold.sequence:
            hold.sequence = self._next_hold()  # else it could never change to this number
        if sequence is None:
            return
        where = f"hold cleared, request {sequence}"
        if "hold_cleared" not in self._rights:
            refused = _Refused(Refusal.MAY_NOT, "the controller may not tell that a hold ended.",
                               "Name the right 'hold_cleared' under 'may:' if it shall.")
        elif sequence != hold.sequence:
            refused = _Refused(Refusal.NOT_THIS_HOLD, f"the newest hold request is "
                               f"{hold.sequence}, not {sequence}.",
                               "Give the number of the request that the reset ended.")
        elif age_s > PRESS_FRESH_S:
            refused = _stale("the reset", age_s)
        else:
            if not self._guarded:
                hold.kind = HoldKind.NONE
            self._taken += 1
            press.message_id = f"hold.{sequence}.{self._taken}"
            asked.append(messages.HoldClearedReported(by="controller", id=press.message_id))
            return
        press.refusal = refused.why
        asked.append(refused.told(where))

    def _look_at_acknowledgement(self, given: int | None) -> None:
        hold = self._hold
        if given is None or given == hold.acknowledged:
            return
        first, hold.acknowledged = hold.acknowledged is None, given
        if given != hold.sequence or hold.kind is HoldKind.NONE:
            return
        if first:
            # It stood there before this request: the controller would take it for handled.
            hold.sequence = self._next_hold()
        else:
            hold.kind = HoldKind.NONE

    # --- from the table -----------------------------------------------------------------

    def told(self, message: Outbound, view: TableView) -> bool:
        """A message of the table, its id as this controller's door gives it.

        ``view``: how the table stands now. True when an event is over, so that a channel can
        be looked at again.
        """
        match message:
            case messages.Ready():
                self._ready = True
                if view.hold is not None:  # in force before the table started
                    self._request_hold(view.hold)
            case messages.Closed():
                self._ready = False
            case messages.GuardReported():
                self._guarded, self._armed = True, message.armed
            case messages.HoldRequest():
                self._request_hold(message.kind)
            case messages.AnswerGiven() | messages.Done():
                return self._over(message)
            case messages.ErrorReported(id=str(message_id)):
                return self._refused(message_id, view)
            case _:
                pass
        return False

    def _over(self, message: messages.AnswerGiven | messages.Done) -> bool:
        for channel in self._channels:
            if channel.event_id and channel.event_id == message.id:
                if isinstance(message, messages.Done):
                    channel.fate = Fate[message.said.upper()]
                    channel.state = State.DONE
                else:
                    channel.answer = self._map.answer_number(message.value)
                    channel.how = How[message.how.upper()]
                    channel.certainty = round(message.certainty * FULL_CERTAINTY)
                    channel.tries = min(message.tries, WORDS - 1)
                    channel.state = State.ANSWERED
                channel.event_id = ""
                return True
        return False

    def _refused(self, message_id: str, view: TableView) -> bool:
        for press in (self._button, self._cleared):
            if press.message_id and press.message_id == message_id:
                press.message_id = ""
                press.refusal = self._why(view, press)
        for channel in self._channels:
            if channel.event_id and channel.event_id == message_id:
                channel.refuse(channel.echo, self._why(view, channel))
                return True
        return False

    def _why(self, view: TableView, refused: _Channel | _Press) -> Refusal:
        """The table says why in words; how it stands tells which number that is."""
        if refused is self._cleared:
            return Refusal.GUARDED if self._guarded else Refusal.OTHER
        if isinstance(refused, _Press):
            if view.hold is not None:
                return Refusal.HELD
            return Refusal.NO_QUESTION if view.phase == "idle" else Refusal.NOT_AN_ANSWER
        event = refused.event
        if event is None:
            return Refusal.OTHER
        if self._guarded and not self._armed and event.priority < Priority.WARNING:
            return Refusal.NOT_ARMED
        if event.asks is None:
            return Refusal.OTHER
        if view.hold is not None:
            return Refusal.HELD
        return Refusal.OTHER if view.phase == "idle" else Refusal.QUESTION_OPEN

    def _request_hold(self, kind: str) -> None:
        hold = self._hold
        hold.sequence = self._next_hold()
        hold.kind = max(hold.kind, HoldKind[kind.upper()])  # a stop is not made less by a pause

    def _next_hold(self) -> int:
        """A number that stands in none of the controller's registers."""
        number = self._hold.sequence
        while True:
            number = number % (WORDS - 1) + 1
            if number not in (self._hold.acknowledged, self._cleared.last):
                return number

    # --- to the controller --------------------------------------------------------------

    def status(self, now_s: float, view: TableView) -> list[int]:
        """The status block as it stands now, each register 0 to 65535."""
        block = [0] * self._map.status_count
        block[Status.BUTTON_ECHO] = self._button.echo
        block[Status.HOLD_CLEARED_ECHO] = self._cleared.echo
        block[Status.HOLD_SEQUENCE] = self._hold.sequence
        block[Status.BUTTON_REFUSAL] = self._button.refusal
        block[Status.HOLD_CLEARED_REFUSAL] = self._cleared.refusal
        block[Status.HOLD_KIND] = self._hold.kind
        block[Status.BITS] = self._bits(view)
        block[Status.ALIVE] = int(now_s * ALIVE_PER_S) % WORDS
        block[Status.LAYOUT] = LAYOUT_VERSION
        block[Status.MAP_HIGH], block[Status.MAP_LOW] = self._check
        block[Status.START] = self._start
        for number, channel in enumerate(self._channels):
            shown = {
                ChannelStatus.ECHO: channel.echo, ChannelStatus.STATE: channel.state,
                ChannelStatus.REFUSAL: channel.refusal, ChannelStatus.FATE: channel.fate,
                ChannelStatus.ANSWER: channel.answer, ChannelStatus.HOW: channel.how,
                ChannelStatus.CERTAINTY: channel.certainty, ChannelStatus.TRIES: channel.tries,
            }  # fmt: skip
            for what, value in shown.items():
                block[self._map.status(number, what)] = int(value)
        return block

    def _bits(self, view: TableView) -> int:
        bits = {
            Bit.READY: self._ready,
            Bit.BUSY: view.busy,
            Bit.SPEAKING: view.speaking,
            Bit.LISTENING: view.phase in ("listening", "confirming"),
            Bit.BUTTON_AWAITED: view.phase == "waiting_for_button",
            Bit.HOLD_REQUESTED: self._hold.kind is not HoldKind.NONE,
            Bit.HELD: view.hold is not None,
            Bit.ARMED: self._armed,
            Bit.GUARDED: self._guarded,
        }
        return sum(bit for bit, on in bits.items() if on)


# --- refusing ---------------------------------------------------------------------------


class _Refused(Exception):
    def __init__(self, why: Refusal, what: str, do: str) -> None:
        super().__init__(what)
        self.why, self.what, self.do = why, what, do

    def told(self, where: str) -> MessageRefused:
        return MessageRefused(self.what, where=f"the Modbus link, {where}", do=self.do)


def _stale(what: str, age_s: float) -> _Refused:
    return _Refused(Refusal.STALE, f"{what} may be {age_s:.1f} s old.", "Press again.")


def _changed(press: _Press, given: int | None) -> int | None:
    """The new number, if there is one; what stood there at the start is refused."""
    if given is None or given in (0, press.last):
        if given == 0 and press.last is None:
            press.last = 0
        return None
    first, press.last = press.last is None, given
    press.echo, press.refusal, press.message_id = given, Refusal.NONE, ""
    if first:
        press.refusal = Refusal.STARTED_ANEW
        return None
    return given
