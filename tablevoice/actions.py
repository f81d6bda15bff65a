"""What a table wants done, as values: its drivers carry these out in order.

Knows no device and no link. Made by :mod:`tablevoice.table`, carried out by the live and
the simulated session, written down by the record.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

from tablevoice.links.messages import Outbound
from tablevoice.model import Event, Heard, Match, Reason, Spent, Taken, Utterance, Verdict


@dataclass(frozen=True, slots=True)
class Sound:
    """Start this utterance on the loudspeaker; report ``voice_started`` and ``voice_ended``."""

    utterance: Utterance


@dataclass(frozen=True, slots=True)
class CutShort:
    """Fade out this utterance now; the table counts it as over already."""

    utterance: Utterance


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was heard, what it matched, what that was found to be worth, and why.

    ``utterance`` is the number by which people and controllers refer to it.
    """

    heard: Heard
    match: Match
    verdict: Verdict
    utterance: str = ""
    reason: Reason = field(default_factory=lambda: Reason(""))


@dataclass(frozen=True, slots=True)
class Send:
    """Give this message to the link and to the record.

    ``about`` is what the message tells of in full, for the history: the utterance of a
    ``said``, the judgement of a ``heard``, the event of a ``done`` without a line. ``again``:
    it was told before, and the history has it.
    """

    message: Outbound
    about: Utterance | Judgement | Event | None = None
    again: bool = False


@dataclass(frozen=True, slots=True)
class Spend:
    """Write down, before the line sounds, that it was used."""

    spent: Spent


@dataclass(frozen=True, slots=True)
class TakeDown:
    """Write down, before its line sounds, that an event was taken, or that it is over."""

    taken: Taken


@dataclass(frozen=True, slots=True)
class AskHold:
    """Ask the stop guard for a hold of this kind."""

    kind: str


@dataclass(frozen=True, slots=True)
class CorrectVerdict:
    """Note in the history that a verdict was wrong, and tell the controller how that went.

    ``said``: the normalised phrase that was said in truth, ``""`` for nothing, ``None``
    where it is not known. ``message_id`` is to be given back.
    """

    utterance: str
    said: str | None
    message_id: str | None = None


Action: TypeAlias = Sound | CutShort | Send | Spend | TakeDown | AskHold | CorrectVerdict
