"""What became of a word and of everything else: each rule by hand-made decisions."""

from __future__ import annotations

import pytest

from tablevoice.evaluation.cases import Case
from tablevoice.evaluation.manifest import SpokenWord
from tablevoice.evaluation.outcomes import CaseResult, Outcome, OutsideOutcome, settle
from tablevoice.evaluation.stimulus import PlacedWord
from tablevoice.evaluation.trials import Decision, Trial
from tablevoice.model import Verdict

ACT, CONFIRM, AGAIN, IGNORE = Verdict.ACT, Verdict.CONFIRM, Verdict.ASK_AGAIN, Verdict.IGNORE


def decision(
    verdict: Verdict, meaning: str | None, end_s: float = 3.0, probability: float = 0.8
) -> Decision:
    return Decision(
        end_s + 0.25, end_s - 0.6, end_s, meaning, meaning or "", verdict, probability, 0.01, {}
    )


def settled(
    *decisions: Decision,
    words: tuple[PlacedWord, ...] = (),
    to_s: float = 10.0,
    from_s: float = 0.0,
) -> CaseResult:
    spoken = tuple(SpokenWord(word.phrase, word.meaning) for word in words)
    case = Case(0, "a.wav", "abc", 0.0, 5.0, True, spoken)
    return settle(case, Trial("k", "grammar", to_s, from_s, to_s, 0.1, words, decisions))


TEAL = PlacedWord("teal", "teal", 2.4, 2.9, 2.95, timed=False)


@pytest.mark.parametrize(
    ("decisions", "outcome", "taken_for"),
    [
        ([decision(ACT, "teal")], Outcome.RIGHT, "teal"),
        ([decision(ACT, "violet")], Outcome.WRONG, "violet"),
        ([decision(ACT, "teal"), decision(ACT, "stop", 6.0)], Outcome.WRONG, "stop"),
        ([decision(AGAIN, "violet"), decision(ACT, "teal", 3.3)], Outcome.RIGHT, "teal"),
        ([decision(CONFIRM, "teal")], Outcome.CONFIRMED, "teal"),
        ([decision(CONFIRM, "violet")], Outcome.CONFIRMED_WRONG, "violet"),
        ([decision(CONFIRM, "violet"), decision(CONFIRM, "teal")], Outcome.CONFIRMED, "teal"),
        ([decision(AGAIN, "teal")], Outcome.ASKED_AGAIN, "teal"),
        ([decision(IGNORE, "teal", probability=0.1)], Outcome.MISSED, None),
        ([decision(IGNORE, None)], Outcome.MISSED, None),
        ([], Outcome.MISSED, None),
    ],
)
def test_the_worst_that_was_done_with_a_word_counts(
    decisions: list[Decision], outcome: Outcome, taken_for: str | None
) -> None:
    found = settled(*decisions, words=(TEAL,))
    (word,) = found.words
    assert (word.outcome, word.taken_for) == (outcome, taken_for)
    assert found.outside is None


def test_an_act_on_noise_is_wrong_whatever_its_meaning() -> None:
    early = decision(ACT, "teal", 1.5)
    lucky = settled(early, words=(TEAL,)).words[0]
    assert (lucky.outcome, lucky.taken_for, lucky.probability) == (Outcome.WRONG, "(noise)", 0.0)
    twice = settled(early, decision(ACT, "teal"), words=(TEAL,))
    assert twice.words[0].outcome is Outcome.WRONG
    assert twice.verdicts == ((0.8, False), (0.8, True))
    asked = settled(decision(AGAIN, "teal", 1.5), decision(ACT, "teal"), words=(TEAL,))
    assert asked.words[0].outcome is Outcome.RIGHT
    only_asked = settled(decision(CONFIRM, "teal", 1.5), words=(TEAL,))
    assert only_asked.words[0].outcome is Outcome.MISSED


def test_the_wait_runs_from_the_words_end_to_the_verdict_with_its_computing() -> None:
    (word,) = settled(decision(ACT, "teal", 3.0), words=(TEAL,)).words
    assert word.delay_s == pytest.approx(3.25 + 0.01 - 2.9)
    assert word.peak_delay_s == pytest.approx(3.25 + 0.01 - 2.95)


@pytest.mark.parametrize(
    ("decisions", "outcome"),
    [
        ([decision(ACT, "teal"), decision(AGAIN, "stop")], OutsideOutcome.FALSE_ACT),
        ([decision(CONFIRM, "teal")], OutsideOutcome.BOTHERED),
        ([decision(AGAIN, "teal")], OutsideOutcome.BOTHERED),
        ([decision(IGNORE, "teal")], OutsideOutcome.QUIET),
        ([], OutsideOutcome.QUIET),
    ],
)
def test_outside_recordings(decisions: list[Decision], outcome: OutsideOutcome) -> None:
    found = settled(*decisions).outside
    assert found is not None
    assert found.outcome is outcome
    assert found.counted_s == 10.0


def test_utterances_of_a_long_recording_go_to_the_word_that_they_lie_upon() -> None:
    words = (
        PlacedWord("teal", "teal", 10.0, 10.5, 10.5, timed=True),
        PlacedWord("pause", "pause", 20.0, 20.6, 20.6, timed=True),
    )
    found = settled(
        decision(ACT, "teal", 10.55),
        decision(ACT, "violet", 15.0),
        decision(CONFIRM, "pause", 20.7),
        words=words, to_s=30.0,
    )  # fmt: skip
    assert [word.outcome for word in found.words] == [Outcome.RIGHT, Outcome.CONFIRMED]
    assert found.outside is not None
    assert [act.meaning for act in found.outside.acts] == ["violet"]
    assert found.outside.counted_s == pytest.approx(30.0 - 0.5 - 0.6 - 2 * 0.8)


def test_a_piece_counts_only_what_ends_within_it() -> None:
    # Utterances in the lead-in are the piece's before, those after its end the next one's.
    found = settled(
        *(decision(ACT, "teal", end_s) for end_s in (7.9, 8.1, 60.0, 68.2)), from_s=8.0, to_s=68.0
    )
    assert found.outside is not None
    assert [act.end_s for act in found.outside.acts] == [8.1, 60.0]
    assert found.outside.counted_s == 60.0


def test_every_utterance_with_a_meaning_says_how_true_its_probability_was() -> None:
    found = settled(decision(ACT, "teal"), decision(AGAIN, "stop", 3.2, 0.3), words=(TEAL,))
    assert found.verdicts == ((0.8, True), (0.3, False))
    assert settled(decision(IGNORE, "teal", probability=0.1)).verdicts == ((0.1, False),)


def test_the_probability_of_a_word_is_that_of_its_own_meaning() -> None:
    unsure = Decision(3.2, 2.4, 3.0, "violet", "violet", AGAIN, 0.5, 0.0,
                      {"violet": 0.5, "teal": 0.4})  # fmt: skip
    assert settled(unsure, words=(TEAL,)).words[0].probability == 0.4
    assert settled(decision(ACT, "violet"), words=(TEAL,)).words[0].probability == 0.0
