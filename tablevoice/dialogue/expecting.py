"""Which phrases may be heard in a state of the dialogue.

Knows the order of precedence where one phrase could mean two things; knows nothing
of sound. The table hands the result to the recogniser and the matcher.
"""

from __future__ import annotations

from types import MappingProxyType

from tablevoice.dialogue.terms import (
    CONFIRM_NO,
    CONFIRM_YES,
    Expected,
    OpenQuestion,
    Phase,
    State,
)


def expected(state: State) -> Expected:
    """The phrases allowed now, by meaning.

    Standing commands are always allowed and win over an answer of the same phrase,
    since missing a stop costs more than asking again. Answers are allowed while
    listening and confirming, yes and no while confirming.
    """
    phrases: dict[str, str] = {}
    if state.open is not None:
        if state.phase is Phase.LISTENING:
            phrases.update(_answers(state.open))
        elif state.phase is Phase.CONFIRMING:
            question = state.open.question
            if not answers_clash_with_confirmation(state.open):
                phrases.update(_answers(state.open))
            phrases.update(dict.fromkeys(question.yes, CONFIRM_YES))
            phrases.update(dict.fromkeys(question.no, CONFIRM_NO))
    for kind, command in state.standing.items():
        phrases.update(dict.fromkeys(command.phrases, kind))
    return Expected(MappingProxyType(phrases))


def answers_clash_with_confirmation(asked: OpenQuestion) -> bool:
    """Whether a phrase of an answer is also a yes or no of the confirmation.

    To "did you say no?" a "yes" must not count as the answer yes, so such a
    question takes nothing but yes and no while it is being confirmed.
    """
    replies = {phrase.casefold() for phrase in (*asked.question.yes, *asked.question.no)}
    return any(phrase.casefold() in replies for phrase in _answers(asked))


def _answers(asked: OpenQuestion) -> dict[str, str]:
    return {
        phrase: answer for answer, phrases in asked.question.answers.items() for phrase in phrases
    }
