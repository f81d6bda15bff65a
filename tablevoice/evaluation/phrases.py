"""What a cell's recordings may say: every phrase of its questions and standing commands.

Knows the phrasebook only. The manifest checks its words against it, the trials allow it.
"""

from __future__ import annotations

from dataclasses import dataclass

from tablevoice.model import Phrasebook, StandingKind
from tablevoice.phrasebook.phrases import meanings_of, standing_phrases
from tablevoice.wording import normalise


@dataclass(frozen=True, slots=True)
class Phrases:
    """``meanings`` maps each normalised phrase to an answer or a standing command's kind.

    ``standing`` are those that may be heard at any time, ``urgent`` those of them that ask for
    a hold; ``holds`` the meanings that do.
    """

    meanings: dict[str, str]
    standing: tuple[str, ...]
    urgent: tuple[str, ...] = ()
    holds: tuple[str, ...] = StandingKind.HOLDS


def phrases_of(book: Phrasebook) -> Phrases:
    """All that a person may say to this phrasebook, at whatever time.

    A phrase with two meanings keeps that of the standing command, else of the first question.
    """
    standing, urgent = (
        tuple(dict.fromkeys(map(normalise, standing_phrases(book, kinds))))
        for kinds in (StandingKind.ALL, StandingKind.HOLDS)
    )
    return Phrases(meanings_of(book), standing, urgent)
