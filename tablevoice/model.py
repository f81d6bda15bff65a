"""The values that cross a border between two rooms of the package.

All are frozen; units ride in the names. Audio is ``float32``, mono, shape
``(n,)``, range ±1, with its rate beside it. Nothing here reads a clock, a file
or a device.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from types import MappingProxyType
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Samples: TypeAlias = NDArray[np.float32]
"""Mono audio, shape ``(n,)``, range ±1."""

SlotValue: TypeAlias = str | int
"""What a controller may put into a slot of a line."""

NO_SLOTS: Mapping[str, SlotValue] = MappingProxyType({})

LISTENING_RATE_HZ = 16_000
"""Rate of everything between the microphone and the recognisers."""


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """A piece of mono audio: ``samples`` of shape ``(n,)``, ±1, at ``rate_hz``."""

    samples: Samples
    rate_hz: int

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate_hz


class Priority(IntEnum):
    """How much a line matters. A higher one goes first and may cut a lower one short."""

    BANTER = 0
    MOVE = 1
    QUESTION = 2
    WARNING = 3


# --- phrasebook -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Condition:
    """A test on one slot's value: any of ``among`` (when given), within the bounds (when given).

    ``relation`` (``=``, ``<``, ``<=``, ``>`` or ``>=``) is how the value must stand to that of
    the slot ``other``; order is between numbers only.
    """

    slot: str
    among: tuple[SlotValue, ...] | None = None
    not_among: tuple[SlotValue, ...] = ()
    at_least: int | None = None
    at_most: int | None = None
    relation: str | None = None
    other: str | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that may be said for an event.

    ``key`` names the line over restarts: a short hash of event, voice, text and
    conditions, so an edited line counts as a new one. ``voice`` is a voice name, a
    slot in braces (``{arm}``), or ``None`` for the table's first voice. ``kind`` names its
    kind, if it is of one. ``follows`` is the key of the line after which alone it may come,
    no later than ``within_s``; ``begins`` tells that others may only follow this one.
    """

    key: str
    event: str
    text: str
    voice: str | None = None
    weight: float = 1.0
    when: tuple[Condition, ...] = ()
    kind: str | None = None
    follows: str | None = None
    within_s: float = math.inf
    begins: bool = False

    @property
    def of_a_story(self) -> bool:
        """Whether it is said once a session at most, being part of a running story."""
        return self.begins or self.follows is not None


@dataclass(frozen=True, slots=True)
class Cooldown:
    """How seldom lines of one kind come: at most one in so many seconds, uses and sessions.

    ``every_uses`` counts lines of the table, this one included, ``every_sessions`` sessions:
    with 1 of either, nothing is held back.
    """

    every_s: float = 0.0
    every_uses: int = 1
    every_sessions: int = 1


@dataclass(frozen=True, slots=True)
class QuietSpan:
    """A part of the day, in minutes after midnight (over midnight where ``until`` is not later).

    Only lines of the priorities in ``speak`` are said in it.
    """

    from_min: int
    until_min: int
    speak: frozenset[Priority]


@dataclass(frozen=True, slots=True)
class EventLines:
    """An event that the controller may report, and everything that may be said for it.

    ``slots`` must come with the event. ``fresh_for_s``: how long after the event a
    line of it is still worth starting. ``longest_s``: the longest such a line may
    last. ``asks`` names the question that the line puts, if it puts one.
    """

    name: str
    about: str
    slots: tuple[str, ...]
    priority: Priority
    fresh_for_s: float
    interruptible: bool
    longest_s: float | None
    asks: str | None
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Question:
    """What may be answered, how long to wait, and what is said when it goes wrong.

    ``answers`` maps each answer to the phrases that mean it. ``ask_again``,
    ``waited``, ``confirm``, ``give_up`` name events; ``None`` says nothing.
    ``button_wait_s`` bounds the wait for a button after ``tries`` attempts by voice.
    """

    name: str
    answers: Mapping[str, tuple[str, ...]]
    wait_s: float = 6.0
    tries: int = 3
    button_wait_s: float = 60.0
    ask_again: str | None = None
    waited: str | None = None
    confirm: str | None = None
    give_up: str | None = None
    yes: tuple[str, ...] = ("yes",)
    no: tuple[str, ...] = ("no",)


class StandingKind:
    """The five things that can be said to a table at any time (plain string constants)."""

    PAUSE = "pause"
    STOP = "stop"
    REPEAT = "repeat"
    HELP = "help"
    NEVER_MIND = "never_mind"
    ALL = (PAUSE, STOP, REPEAT, HELP, NEVER_MIND)
    HOLDS = (PAUSE, STOP)


@dataclass(frozen=True, slots=True)
class StandingCommand:
    """A command that is always on: its kind, the phrases for it, the event said in reply."""

    kind: str
    phrases: tuple[str, ...]
    says: str | None = None


@dataclass(frozen=True, slots=True)
class Pronunciation:
    """How engines say a word: ``ipa`` by sounds, ``respelling`` as if it were written so.

    At least one of them is given; an engine that takes sounds goes by those.
    """

    ipa: str = ""
    respelling: str = ""


@dataclass(frozen=True, slots=True)
class Phrasebook:
    """Everything a table may say and ask, checked at load.

    ``slot_values`` lists the known values of a slot; a slot that maps to ``None``
    takes any short text. ``pronunciations`` gives words that a recogniser's
    dictionary may lack, as phones of that recogniser (ARPABET for English).
    ``spoken`` gives words that engines would say wrongly.
    ``stop_guard`` names the events said at news of the stop guard: ``tripped``, ``held``,
    ``awaiting_reset``, ``armed``, ``not_proven``, ``silent``. ``kinds`` are the kinds of
    lines; ``characters`` gives, for a voice and a kind, by how much more (or less) than
    others it likes such lines, 0 being never. ``quiet_hours``: when only some lines speak.
    """

    title: str
    language: str
    slot_values: Mapping[str, tuple[SlotValue, ...] | None]
    events: Mapping[str, EventLines]
    questions: Mapping[str, Question]
    standing: Mapping[str, StandingCommand]
    pronunciations: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stop_guard: Mapping[str, str] = field(default_factory=dict)
    spoken: Mapping[str, Pronunciation] = field(default_factory=dict)
    kinds: Mapping[str, Cooldown] = field(default_factory=dict)
    characters: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    quiet_hours: tuple[QuietSpan, ...] = ()


@dataclass(frozen=True, slots=True)
class Spent:
    """A line was taken: what the chooser must remember over a restart.

    Of the rows of one (event, voice, line_key) only the newest matters, so a table with
    that key stays small; rows are given back in the order in which they were written.
    ``round`` counts from 1, over all voices of the event, how often the lines that may
    be said were used up; ``voice_round`` does so for this voice (0: was not kept).
    ``use`` counts the lines of the table over all sessions, ``session`` says in which one
    it was; ``at_s`` when, on the clock of the session that reads the row (below 0 for
    earlier ones).
    """

    event: str
    voice: str
    line_key: str
    round: int
    voice_round: int = 0
    use: int = 0
    session: int = 0
    at_s: float = 0.0


# --- speaking -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Voice:
    """How one arm sounds: an engine's voice by name, its speed and its pitch (0 to 100)."""

    name: str
    engine: str = "espeak"
    voice: str = "en-us"
    rate_wpm: int = 160
    pitch: int = 50
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Utterance:
    """A line on its way to the loudspeaker. ``id`` is unique within a session.

    ``note`` tells which rule of taste gave way so that something could be said.
    """

    id: str
    event_id: str
    event: str
    line_key: str
    voice: str
    text: str
    priority: Priority
    interruptible: bool
    born_s: float
    fresh_until_s: float
    marked: str = ""
    note: str = ""


# --- listening ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What a recogniser made of one endpointed piece of audio.

    ``text`` is empty when nothing was recognised. ``certainty`` (0 to 1) is how far
    the sound itself supports the text; a recogniser that cannot tell says 1.0 and
    sets ``calibrated`` to false. ``evidence`` holds raw scores for the timeline.
    """

    text: str
    certainty: float
    calibrated: bool
    evidence: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Heard:
    """One endpointed utterance of a person, on the session's clock.

    ``during_speech`` is true when a voice of the table sounded at the same time.
    ``samples`` is the utterance's sound at the listening rate, when it was handed on.
    ``probabilities``: for each normalised phrase the calibrated probability that it was
    said and addressed to the table; what is missing to 1 is "none of them". Empty where
    only the hypothesis is known. ``second_opinion``: raw scores (natural logarithm) of
    another listener by phrase, under ``""`` for none of them; ``room_doubt_nats``: what was
    added to the logarithm of "none of them" for a room that is often taken for speech. Both
    for the record only.
    """

    hypothesis: Hypothesis
    start_s: float
    end_s: float
    level_dbfs: float
    during_speech: bool = False
    samples: Samples | None = field(default=None, compare=False, repr=False)
    probabilities: Mapping[str, float] = field(default_factory=dict, hash=False)
    second_opinion: Mapping[str, float] = field(default_factory=dict, hash=False)
    room_doubt_nats: float = 0.0


@dataclass(frozen=True, slots=True)
class Match:
    """A heard text held against the phrases that are allowed now.

    ``meaning`` is an answer or a standing command's kind, ``None`` when nothing fits.
    ``score`` (0 to 1) is the probability of the meaning or, where none is known, the best
    likeness times the certainty of the sound; ``margin`` how far the runner-up with another
    meaning lies behind. ``meanings``: the probability of every meaning that is allowed,
    empty where none is known (what is missing to 1 is "none of them"); ``phrases``: the
    likeliest phrase of each.
    """

    meaning: str | None
    phrase: str
    score: float
    margin: float
    runner_up: str | None = None
    meanings: Mapping[str, float] = field(default_factory=dict, hash=False)
    phrases: Mapping[str, str] = field(default_factory=dict, hash=False)


class Verdict(Enum):
    """What the judge lets the dialogue do with a match."""

    ACT = "act"
    CONFIRM = "confirm"
    ASK_AGAIN = "ask_again"
    IGNORE = "ignore"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a verdict came out as it did, to be explained later; plain names and numbers.

    ``costs`` are those of the place by name, ``expected`` what each possible choice (by
    the verdict's value) would have cost on the average; both are empty where ``thresholds``
    decided. ``meanings`` are the probabilities of what was allowed then, ``not_allowed``
    those of phrases that were not. ``possible`` and
    ``stake`` are what the judge was told of the dialogue. ``room_doubt_nats``: by how much the
    probabilities were lowered, of everything that can be said, for a room full of other sound.
    """

    text: str
    meaning: str | None = None
    meanings: Mapping[str, float] = field(default_factory=dict, hash=False)
    phrases: Mapping[str, str] = field(default_factory=dict, hash=False)
    not_allowed: Mapping[str, float] = field(default_factory=dict, hash=False)
    costs: Mapping[str, float] = field(default_factory=dict, hash=False)
    expected: Mapping[str, float] = field(default_factory=dict, hash=False)
    thresholds: Mapping[str, float] = field(default_factory=dict, hash=False)
    possible: tuple[str, ...] = ()
    stake: float = 1.0
    on_less_evidence: bool = False
    room_doubt_nats: float = 0.0


# --- the stop guard -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GuardView:
    """What the talking half sees of the stop guard; it can look and ask, never clear.

    ``state`` is the guard's own word (``permitted``, ``awaiting_reset``, ``held``,
    ``tripped``) or ``silent`` when it does not answer. ``why`` and ``why_not_proven``
    are for a person, empty when there is nothing to say.
    """

    state: str
    permit: bool
    proven: bool
    why: str = ""
    why_not_proven: str = ""
    causes: tuple[str, ...] = ()


# --- links ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TableView:
    """How the table stands, for links that show it all the time.

    ``phase`` is the dialogue's word: ``idle``, ``asking``, ``listening``, ``confirming``,
    ``waiting_for_button`` or ``held``. ``busy``: a line or a question is not over. ``hold``:
    ``pause`` or ``stop`` while one is in force. ``book``: the phrasebook in use.
    """

    phase: str
    speaking: bool
    busy: bool
    hold: str | None
    book: Phrasebook


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at the cell, as its controller reports it."""

    id: str
    name: str
    slots: Mapping[str, SlotValue] = field(default_factory=lambda: NO_SLOTS)


@dataclass(frozen=True, slots=True)
class Taken:
    """An event that was taken, and the message that answered it: "" while it is open.

    ``refused``: it was let go again.
    """

    event: Event
    outcome: str = ""
    refused: bool = False


def as_clip(samples: Sequence[float] | Samples, rate_hz: int) -> Clip:
    """Wrap plain numbers as a clip (copies to ``float32``)."""
    return Clip(np.asarray(samples, dtype=np.float32), rate_hz)
