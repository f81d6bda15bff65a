"""The words of the dialogue: what may come in, what may come out, and its state.

Only frozen values, no behaviour beyond looking at them. The machine turns inputs
and a state into effects and a new state; the table carries the effects out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import TypeAlias

from tablevoice.errors import Problem
from tablevoice.model import (
    NO_SLOTS,
    Event,
    Match,
    Question,
    SlotValue,
    StandingCommand,
    Verdict,
)

CONFIRM_YES = "confirm_yes"
CONFIRM_NO = "confirm_no"
"""Meanings of yes and no to "did you say …?"; apart from answers that may be called yes or no."""


# --- inputs ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ask:
    """The controller reported an event whose line puts ``question``."""

    event: Event
    question: Question


@dataclass(frozen=True, slots=True)
class LineEnded:
    """The line that an effect numbered ``line`` is over: said, cut, expired or dropped."""

    line: int


@dataclass(frozen=True, slots=True)
class SoundBegan:
    """Somebody began to speak: the endpointer is in an utterance that has not ended yet."""


@dataclass(frozen=True, slots=True)
class HeardMatch:
    """An utterance ended; what it matched and how far the judge trusts that.

    ``start_s`` is when the utterance began, on the clock that ``step`` is given.
    An answer that began before the question was over is not one to this question.
    """

    match: Match
    verdict: Verdict
    start_s: float | None = None


@dataclass(frozen=True, slots=True)
class Pressed:
    """A person pressed the button that stands for the answer ``value``."""

    value: str


@dataclass(frozen=True, slots=True)
class HoldImposed:
    """Something other than a voice holds the cell, such as the stop guard; ``kind`` as ever."""

    kind: str


@dataclass(frozen=True, slots=True)
class HoldCleared:
    """The controller's own physical reset released the hold. Nothing heard makes this."""

    by: str


@dataclass(frozen=True, slots=True)
class Withdraw:
    """The controller (not a voice) takes its open question back, as at the end of a session."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time went on; due when ``State.deadline_s`` has come. An early one changes nothing."""


Input: TypeAlias = (
    Ask
    | LineEnded
    | SoundBegan
    | HeardMatch
    | Pressed
    | HoldImposed
    | HoldCleared
    | Withdraw
    | Tick
)


# --- effects --------------------------------------------------------------------


class How(Enum):
    """How a question came to its end."""

    VOICE = "voice"
    CONFIRMED = "confirmed"
    BUTTON = "button"
    WITHDRAWN = "withdrawn"
    NOBODY = "nobody"


@dataclass(frozen=True, slots=True)
class SayEvent:
    """Choose and queue a line of the event ``event``.

    ``line`` is a number to give back with ``LineEnded`` when the line is over,
    whatever became of it; ``None`` when the dialogue does not wait for it.
    ``reason`` is for the timeline: ``asked``, ``ask_again``, ``waited``,
    ``confirm``, ``give_up``, ``asked_after_hold`` or a standing command's kind.
    ``slots`` are those of the asking event (plus ``answer`` for a confirmation):
    take those that the event to be said declares.
    """

    event: str
    slots: Mapping[str, SlotValue] = field(default_factory=lambda: NO_SLOTS)
    reason: str = "asked"
    line: int | None = None


@dataclass(frozen=True, slots=True)
class RepeatLast:
    """Say the last line again, word for word; ``line`` as for :class:`SayEvent`."""

    line: int | None = None


@dataclass(frozen=True, slots=True)
class Answered:
    """The question that event ``event_id`` put is over. Comes exactly once for each ``Ask``.

    ``certainty`` (0 to 1) is that of the sound that decided, 1.0 for a button, 0.0
    when nobody answered. ``tries`` counts attempts by voice, the successful one included.
    """

    event_id: str
    question: str
    value: str | None
    how: How
    certainty: float
    tries: int


@dataclass(frozen=True, slots=True)
class HoldRequested:
    """Ask the cell to hold. Not a safety function: the cell may be deaf to it.

    ``kind`` is the hold now in force (``pause`` or ``stop``), ``phrase`` what was heard.
    """

    kind: str
    phrase: str
    certainty: float


@dataclass(frozen=True, slots=True)
class HoldEnded:
    """A hold that was in force was released, by the controller's physical reset ``by``."""

    kind: str
    by: str
    held_s: float


@dataclass(frozen=True, slots=True)
class AskRefused:
    """An ``Ask`` was turned down; its event gets no other answer than this."""

    event_id: str
    problem: Problem


@dataclass(frozen=True, slots=True)
class PressRefused:
    """A button meant nothing just now. An open question stays open."""

    value: str
    problem: Problem


Effect: TypeAlias = (
    SayEvent | RepeatLast | Answered | HoldRequested | HoldEnded | AskRefused | PressRefused
)


# --- state ----------------------------------------------------------------------


class Phase(Enum):
    """Where the dialogue stands."""

    IDLE = "idle"
    ASKING = "asking"
    """A line of the question is queued or sounding; answers wait until it is over."""
    LISTENING = "listening"
    CONFIRMING = "confirming"
    WAITING_FOR_BUTTON = "waiting_for_button"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Candidate:
    """An answer heard too faintly to act on, waiting for a yes."""

    value: str
    certainty: float


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """A question that has not been answered, and what was spent on it so far."""

    event: Event
    question: Question
    failed_tries: int = 0
    repeats: int = 0
    helps: int = 0
    candidate: Candidate | None = None

    @property
    def tries_left(self) -> int:
        return max(0, self.question.tries - self.failed_tries)


@dataclass(frozen=True, slots=True)
class Hold:
    """A latched request to hold: ``kind`` is ``pause`` or ``stop``."""

    kind: str
    since_s: float


@dataclass(frozen=True, slots=True)
class State:
    """The whole memory of the dialogue; build one with :func:`tablevoice.dialogue.start`.

    ``deadline_s``: when the next ``Tick`` is due, ``None`` when none is. ``window_s``
    is when listening began and ``latest_s`` the last moment to which speech in
    progress may put the deadline off. ``line`` is the number of the last awaited line.
    """

    standing: Mapping[str, StandingCommand] = field(default_factory=dict)
    phase: Phase = Phase.IDLE
    open: OpenQuestion | None = None
    hold: Hold | None = None
    deadline_s: float | None = None
    window_s: float | None = None
    latest_s: float | None = None
    line: int = 0
    seen_s: float | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """What may be heard now: each phrase and its meaning.

    A meaning is an answer, a standing command's kind, or ``CONFIRM_YES`` / ``CONFIRM_NO``.
    """

    phrases: Mapping[str, str]

    @property
    def meanings(self) -> frozenset[str]:
        return frozenset(self.phrases.values())
