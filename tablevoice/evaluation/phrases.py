"""What a cell's recordings may say: every phrase of its questions and standing commands.

Knows the phrasebook only. The manifest checks its words against it, the trials allow it.
"""

from __future__ import annotations

from dataclasses import dataclass

from tablevoice.model import Phrasebook, StandingKind
from tablevoice.wording import normalise


@dataclass(frozen=True, slots=True)
class Phrases:
    """``meanings`` maps each normalised phrase to an answer or a standing command's kind.

    ``standing`` are those that may be heard at any time; ``holds`` the meanings that ask
    for a hold.
    """

    meanings: dict[str, str]
    standing: tuple[str, ...]
    holds: tuple[str, ...] = StandingKind.HOLDS


def phrases_of(book: Phrasebook) -> Phrases:
    """All that a person may say to this phrasebook, at whatever time.

    A phrase with two meanings keeps that of the standing command, else of the first question.
    """
    meanings: dict[str, str] = {}
    for kind, command in book.standing.items():
        for phrase in command.phrases:
            meanings.setdefault(normalise(phrase), kind)
    standing = tuple(meanings)
    for question in book.questions.values():
        for answer, phrases in question.answers.items():
            for phrase in phrases:
                meanings.setdefault(normalise(phrase), answer)
        for meaning, phrases in (("yes", question.yes), ("no", question.no)):
            for phrase in phrases:
                meanings.setdefault(normalise(phrase), meaning)
    return Phrases(meanings, standing)
