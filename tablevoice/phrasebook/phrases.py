"""The phrases that a person may say to a table, as one list.

Knows a phrasebook; not which of them are allowed at a moment (the dialogue does). Called
where words are checked, tuned or corrected.
"""

from __future__ import annotations

from collections.abc import Collection

from tablevoice.errors import MessageRefused
from tablevoice.model import Phrasebook, StandingKind
from tablevoice.nearest import advice
from tablevoice.wording import normalise


def spoken_phrases(book: Phrasebook) -> list[str]:
    """Everything that a person may say to this phrasebook, each phrase once."""
    phrases: dict[str, None] = {}
    for question in book.questions.values():
        for answers in question.answers.values():
            phrases.update(dict.fromkeys(answers))
        phrases.update(dict.fromkeys((*question.yes, *question.no)))
    for command in book.standing.values():
        phrases.update(dict.fromkeys(command.phrases))
    return list(phrases)


def meanings_of(book: Phrasebook) -> dict[str, str]:
    """Each normalised phrase with what it means: an answer, or a standing command's kind.

    A phrase with two meanings keeps that of the standing command, else of the first question.
    The standing commands stand first.
    """
    meanings: dict[str, str] = {}
    for kind, command in book.standing.items():
        for phrase in command.phrases:
            meanings.setdefault(normalise(phrase), kind)
    for question in book.questions.values():
        told = (*question.answers.items(), ("yes", question.yes), ("no", question.no))
        for meaning, phrases in told:
            for phrase in phrases:
                meanings.setdefault(normalise(phrase), meaning)
    return meanings


def phrase_said(book: Phrasebook, said: str | None, *, nothing: bool) -> str | None:
    """What a correction says was said, normalised: ``""`` for nothing, ``None`` for not known.

    Raises MessageRefused for a phrase that is not in the phrasebook, and for both at once.
    """
    if said is not None and nothing:
        raise MessageRefused(
            "both a phrase and nothing were said.", where="correct",
            do="Give said or nothing, not both.",
        )  # fmt: skip
    if nothing:
        return ""
    if said is None:
        return None
    known = {normalise(phrase) for phrase in spoken_phrases(book)}
    if normalise(said) not in known:
        raise MessageRefused(
            f"{said!r} is no phrase of the phrasebook.", where="correct, said",
            do=f"{advice(normalise(said), known)} What is no phrase counts as nothing.",
        )  # fmt: skip
    return normalise(said)


def standing_phrases(
    book: Phrasebook, kinds: Collection[str] = StandingKind.ALL
) -> tuple[str, ...]:
    """What may be said at any time, of these kinds."""
    return tuple(
        phrase
        for command in book.standing.values()
        if command.kind in kinds
        for phrase in command.phrases
    )
