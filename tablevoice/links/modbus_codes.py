"""What the numbers in the Modbus registers mean: states, refusals, bits.

Pure words and numbers. They keep their meaning for ever: a controller's program is made of
them. The map prints them, the hand-shake puts them into registers.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag

LAYOUT_VERSION = 1
"""Of the two blocks; stands in a register, and changes when a register changes its place."""

FULL_CERTAINTY = 10_000
"""A certainty of 1.0 as it stands in a register."""

NO_NUMBER = 0xFFFF
"""In the place of an answer that was given and has no number in this map."""


class State(IntEnum):
    """What became of the event whose sequence is echoed."""

    UNSEEN = 0
    IDLE = 1
    TAKEN = 2
    DONE = 3
    ANSWERED = 4
    REFUSED = 5


class Refusal(IntEnum):
    """Why an event, a button or a cleared hold was not taken."""

    NONE = 0
    STARTED_ANEW = 1
    UNKNOWN_EVENT = 2
    SLOT_OUT_OF_RANGE = 3
    MAY_NOT = 4
    STALE = 5
    HELD = 6
    NOT_ARMED = 7
    QUESTION_OPEN = 8
    UNKNOWN_ANSWER = 9
    NO_QUESTION = 10
    NOT_AN_ANSWER = 11
    NOT_THIS_HOLD = 12
    GUARDED = 13
    OTHER = 99


class Fate(IntEnum):
    """What became of the line of an event that asks nothing."""

    NONE = 0
    SAID = 1
    CUT = 2
    EXPIRED = 3
    DROPPED = 4


class How(IntEnum):
    """How a question ended."""

    NONE = 0
    VOICE = 1
    CONFIRMED = 2
    BUTTON = 3
    WITHDRAWN = 4
    NOBODY = 5


class HoldKind(IntEnum):
    """What somebody asked for by voice; stays until the controller acknowledges it."""

    NONE = 0
    PAUSE = 1
    STOP = 2


class Bit(IntFlag):
    """The bits of the register "bits"."""

    READY = 1 << 0
    BUSY = 1 << 1
    SPEAKING = 1 << 2
    LISTENING = 1 << 3
    BUTTON_AWAITED = 1 << 4
    HOLD_REQUESTED = 1 << 5
    HELD = 1 << 6
    ARMED = 1 << 7
    GUARDED = 1 << 8


STATES: dict[State, str] = {
    State.UNSEEN: "the table has not seen this channel's sequence since it started: wait, and "
    "write it once",
    State.IDLE: "seen; send an event at will",
    State.TAKEN: "taken; its line waits or sounds, or its question is open",
    State.DONE: "over; it asked nothing",
    State.ANSWERED: "over; 'answer', 'how', 'certainty' and 'tries' tell the rest",
    State.REFUSED: "not taken; 'refusal' tells why",
}

REFUSALS: dict[Refusal, str] = {
    Refusal.NONE: "not refused",
    Refusal.STARTED_ANEW: "this number stood here when the table started: whether it was "
    "taken before is not known; send again with a new number if it still matters",
    Refusal.UNKNOWN_EVENT: "no event has this number",
    Refusal.SLOT_OUT_OF_RANGE: "a slot's register holds no value that the slot may have",
    Refusal.MAY_NOT: "the cell file does not name the right under 'may:'",
    Refusal.STALE: "it may be older than it is worth; send again if it still matters",
    Refusal.HELD: "the table is held; send again after the physical reset",
    Refusal.NOT_ARMED: "the stop guard has not armed the cell",
    Refusal.QUESTION_OPEN: "another question is open; wait for its answer",
    Refusal.UNKNOWN_ANSWER: "no answer has this number",
    Refusal.NO_QUESTION: "no question is open",
    Refusal.NOT_AN_ANSWER: "the open question has no such answer",
    Refusal.NOT_THIS_HOLD: "not the number of the newest hold request",
    Refusal.GUARDED: "a stop guard watches this cell: it alone ends a hold",
    Refusal.OTHER: "the table's record has the reason in words",
}

FATES: dict[Fate, str] = {
    Fate.NONE: "not over, or a question",
    Fate.SAID: "said to its end",
    Fate.CUT: "cut short by something more important",
    Fate.EXPIRED: "came too late to be worth saying",
    Fate.DROPPED: "not said: quiet hours, a kind of lines that rests, a hold, or no sound",
}

HOWS: dict[How, str] = {
    How.NONE: "not answered",
    How.VOICE: "by voice",
    How.CONFIRMED: "by voice, after a 'did you say …?'",
    How.BUTTON: "by a button",
    How.WITHDRAWN: "nobody answers: taken back",
    How.NOBODY: "nobody answered in time",
}

HOLD_KINDS: dict[HoldKind, str] = {
    HoldKind.NONE: "none, or acknowledged",
    HoldKind.PAUSE: "a pause was asked for",
    HoldKind.STOP: "a stop was asked for",
}

BIT_MEANINGS: dict[Bit, str] = {
    Bit.READY: "the table takes events",
    Bit.BUSY: "a line or a question is not over",
    Bit.SPEAKING: "a line is being said",
    Bit.LISTENING: "an answer is listened for",
    Bit.BUTTON_AWAITED: "only a button can answer now",
    Bit.HOLD_REQUESTED: "somebody asked for a hold, and it is not acknowledged yet",
    Bit.HELD: "the table is held: nothing is asked until the hold is cleared",
    Bit.ARMED: "the stop guard has armed the cell (0 where there is none)",
    Bit.GUARDED: "this table has a stop guard",
}
