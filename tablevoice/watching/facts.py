"""What is known of a running table at one moment, part by part, without any judgement.

Frozen values with a description each, from which the schema of the health document is made.
Gathered by the session's watch, judged by :mod:`tablevoice.watching.health`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, TypeAlias

from pydantic import Field


def _said(text: str) -> object:
    return Field(description=text)


Ago: TypeAlias = Annotated[float | None, _said("Seconds ago; null: not yet.")]


@dataclass(frozen=True, slots=True)
class LoopFacts:
    """The loop that decides everything."""

    overdue_s: Annotated[float, _said("Seconds that its next round is late by now.")]
    lag_s: Annotated[float, _said("Largest delay of its own timer since the last look.")]


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """The loudspeaker or the microphone."""

    open: Annotated[bool, _said("False while it is lost.")]
    losses: Annotated[int, _said("How often it was lost since the session began.")]
    thread_alive: Annotated[bool, _said("Whether the thread that owns it lives.")] = True


@dataclass(frozen=True, slots=True)
class ListeningFacts:
    """The ear: what comes from the microphone, and how the recogniser keeps up."""

    thread_alive: Annotated[bool, _said("Whether the listening thread lives.")]
    busy_s: Annotated[float, _said("How long the ear has been at one block of sound.")]
    block_ago_s: Ago
    sound_ago_s: Annotated[float | None, _said(
        "Seconds since anything but digital silence came; null: never.")]  # fmt: skip
    level_dbfs: Annotated[float | None, _said("Mean level of about the last second.")]
    dropped_blocks: Annotated[int, _said("Blocks given up since the begin: too slow an ear.")]


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """The speech engines, for lines that are not prepared."""

    failures_in_a_row: Annotated[int, _said("Renderings that failed since one last succeeded.")]
    why: Annotated[str, _said("What the last failure said.")] = ""


@dataclass(frozen=True, slots=True)
class HistoryFacts:
    """The history and the record."""

    file: str
    problem: Annotated[str, _said("Why it is not being kept; empty while it is.")]
    waiting: Annotated[int, _said("Rows that wait to be written.")]
    busy_s: Annotated[float, _said("How long the write that is under way has taken.")]
    free_mb: Annotated[float | None, _said("Room on its disk, in MB.")]


@dataclass(frozen=True, slots=True)
class GuardFacts:
    """What the stop guard says of itself."""

    state: str
    armed: bool
    proven: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """One link of the cell file."""

    up: bool
    why: Annotated[str, _said("Why it is down.")] = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """All of it. ``None`` for a part that this table does not have."""

    uptime_s: Annotated[float, _said("Seconds since the session began.")]
    loop: LoopFacts
    loudspeaker: DeviceFacts
    history: HistoryFacts
    engine: EngineFacts
    microphone: DeviceFacts | None = None
    listening: ListeningFacts | None = None
    guard: GuardFacts | None = None
    links: Mapping[str, LinkFacts] = field(default_factory=dict)
    queues: Annotated[Mapping[str, int], _said("Things that wait, by queue.")] = field(
        default_factory=dict
    )
    hold: Annotated[str | None, _said("The kind of the hold in force.")] = None
    question_open: bool = False
    event_ago_s: Annotated[float | None, _said("Seconds since the last event.")] = None
    memory_mb: Annotated[float | None, _said("Resident memory of the process, in MB.")] = None
    log_lines_lost: int = 0
