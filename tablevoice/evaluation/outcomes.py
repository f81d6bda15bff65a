"""Says what became of each word and of everything that was not one: right, wrong, missed, ...

Pure: holds the decisions of a trial against what was said in it. The results count these.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from tablevoice.evaluation.cases import Case
from tablevoice.evaluation.stimulus import PlacedWord
from tablevoice.evaluation.trials import Decision, Trial
from tablevoice.model import Verdict

EARLY_S, LATE_S = 0.3, 0.5
"""An utterance belongs to a word of a long recording when it touches it, give or take this;
so must one be that settles the word of a short recording."""


NOISE = "(noise)"
"""What an act was on that had the right meaning, but not when the word was said."""


class Outcome(Enum):
    """Of a word that was said to the table."""

    RIGHT = "right"
    WRONG = "wrong"
    CONFIRMED = "confirmed"
    CONFIRMED_WRONG = "confirmed_wrong"
    ASKED_AGAIN = "asked_again"
    MISSED = "missed"


class OutsideOutcome(Enum):
    """Of a recording in which nothing was said to the table."""

    FALSE_ACT = "false_act"
    BOTHERED = "bothered"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class WordResult:
    """A word, what became of it, and the decision that settled it (none: nothing was heard).

    ``delay_s`` and ``peak_delay_s``: from the word's end, by either mark, to the verdict,
    computing included. ``probability``: the most that its meaning got in any decision.
    """

    word: PlacedWord
    outcome: Outcome
    settled_by: Decision | None
    taken_for: str | None
    delay_s: float | None
    peak_delay_s: float | None
    probability: float


@dataclass(frozen=True, slots=True)
class OutsideResult:
    """All that was decided where nothing was said to the table, within ``counted_s``."""

    outcome: OutsideOutcome
    counted_s: float
    acts: tuple[Decision, ...]
    bothers: tuple[Decision, ...]
    probability: float


@dataclass(frozen=True, slots=True)
class CaseResult:
    """``outside`` is ``None`` where the recording is one word alone."""

    case: Case
    setup: str
    words: tuple[WordResult, ...]
    outside: OutsideResult | None
    verdicts: tuple[tuple[float, bool], ...]
    """Each utterance with a meaning: how probable it was held to be, and whether it was so."""
    audio_s: float
    computing_s: float


def settle(case: Case, trial: Trial) -> CaseResult:
    """Hold a trial against what was said."""
    of_word: dict[int, list[Decision]] = {place: [] for place in range(len(trial.words))}
    outside: list[Decision] = []
    for decision in trial.decisions:
        place = _word_of(decision, trial)
        if place is not None:
            of_word[place].append(decision)
        elif trial.from_s < decision.end_s <= trial.to_s:  # else the next piece's, or the last's
            outside.append(decision)
    words = tuple(_word(trial.words[place], found) for place, found in of_word.items())
    alone = len(trial.words) == 1 and not trial.words[0].timed
    verdicts = [
        (decision.probability, _is_true(decision, trial.words[place]))
        for place, found in of_word.items()
        for decision in found
        if decision.meaning is not None
    ]
    verdicts += [(one.probability, False) for one in outside if one.meaning is not None]
    return CaseResult(
        case, trial.setup, words, None if alone else _outside(outside, trial),
        tuple(verdicts), trial.audio_s, trial.computing_s,
    )  # fmt: skip


def _word_of(decision: Decision, trial: Trial) -> int | None:
    """The place of the word that an utterance lies upon most; ``None`` for none of them."""
    best: tuple[float, int] | None = None
    for place, word in enumerate(trial.words):
        if not word.timed:
            return place  # the recording is that word
        common_s = _common_s(decision, word)
        if common_s > 0.0 and (best is None or common_s > best[0]):
            best = (common_s, place)
    return None if best is None else best[1]


def _is_true(decision: Decision, word: PlacedWord) -> bool:
    return decision.meaning == word.meaning and _common_s(decision, word) > 0.0


def _common_s(decision: Decision, word: PlacedWord) -> float:
    """How long an utterance and a word, give or take, lie upon each other; negative: apart."""
    return min(decision.end_s, word.end_s + LATE_S) - max(
        decision.start_s, word.start_s - EARLY_S
    )


def _word(word: PlacedWord, decisions: list[Decision]) -> WordResult:
    """The worst that was done with it counts; else the best.

    An act on the right meaning by an utterance that does not touch the word was not right
    but luck: the table acted on noise. What was heard elsewhere and not acted on counts for
    nothing.
    """
    touching = [one for one in decisions if _common_s(one, word) > 0.0]
    acts = [one for one in touching if one.verdict is Verdict.ACT]
    confirms = [one for one in touching if one.verdict is Verdict.CONFIRM]
    asked = [one for one in touching if one.verdict is Verdict.ASK_AGAIN]
    wrong = [one for one in decisions if one.verdict is Verdict.ACT
             and (one.meaning != word.meaning or one not in touching)]  # fmt: skip
    confirmed = [one for one in confirms if one.meaning == word.meaning]
    highest = max((one.probability_of(word.meaning) for one in touching), default=0.0)
    if wrong:
        outcome, settled = Outcome.WRONG, wrong[0]
    elif acts:
        outcome, settled = Outcome.RIGHT, acts[0]
    elif confirmed:
        outcome, settled = Outcome.CONFIRMED, confirmed[0]
    elif confirms:
        outcome, settled = Outcome.CONFIRMED_WRONG, confirms[0]
    elif asked:
        outcome, settled = Outcome.ASKED_AGAIN, asked[0]
    else:
        best = max(touching, key=lambda one: one.probability, default=None)
        return WordResult(word, Outcome.MISSED, best, None, None, None, highest)
    taken_for = settled.meaning
    if outcome is Outcome.WRONG and taken_for == word.meaning:
        taken_for = NOISE
    spent_s = settled.at_s + settled.computing_s
    return WordResult(
        word, outcome, settled, taken_for, spent_s - word.end_s, spent_s - word.peak_end_s, highest
    )


def _outside(decisions: list[Decision], trial: Trial) -> OutsideResult:
    acts = tuple(one for one in decisions if one.verdict is Verdict.ACT)
    bothers = tuple(
        one for one in decisions if one.verdict in (Verdict.CONFIRM, Verdict.ASK_AGAIN)
    )
    if acts:
        outcome = OutsideOutcome.FALSE_ACT
    else:
        outcome = OutsideOutcome.BOTHERED if bothers else OutsideOutcome.QUIET
    spoken_s = sum(word.end_s - word.start_s + EARLY_S + LATE_S for word in trial.words)
    counted_s = max(0.0, trial.to_s - trial.from_s - spoken_s)
    probability = max((one.probability for one in decisions if one.meaning), default=0.0)
    return OutsideResult(outcome, counted_s, acts, bothers, probability)
