"""What a table wants done, as values: its drivers carry these out in order.

Knows no device and no link. Made by :mod:`tablevoice.table`, carried out by the live and
the simulated session, written down by the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from tablevoice.links.messages import Outbound
from tablevoice.model import Heard, Match, Spent, Utterance, Verdict


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
    """What was heard, what it matched and what that was found to be worth."""

    heard: Heard
    match: Match
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Send:
    """Give this message to the link and to the record.

    ``about`` is what the message tells of in full, for the history: the utterance of a
    ``said``, the judgement of a ``heard``.
    """

    message: Outbound
    about: Utterance | Judgement | None = None


@dataclass(frozen=True, slots=True)
class Spend:
    """Write down, before the line sounds, that it was used."""

    spent: Spent


@dataclass(frozen=True, slots=True)
class AskHold:
    """Ask the stop guard for a hold of this kind."""

    kind: str


Action: TypeAlias = Sound | CutShort | Send | Spend | AskHold
