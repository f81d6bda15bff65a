"""Learning from rows: nothing of a held-out family is seen, and probabilities are honest."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tablevoice.corpora.speakers import Speaker
from tablevoice.errors import EngineFailed
from tablevoice.listening.certainty import PRIOR_ODDS
from tablevoice.listening.evidence import untaught_weights
from tablevoice.listening.fusion import fused
from tablevoice.listening.tuned_file import softmax
from tablevoice.tuning import training
from tablevoice.tuning.curves import ACT, measured
from tablevoice.tuning.examples import Example
from tablevoice.tuning.training import (
    Member,
    Network,
    _calibration,
    calibrated,
    classes_of,
    learn,
    learn_fusion,
    weights_of,
)

PHRASES = ("pause", "teal")
FAMILIES = ("espeak", "flite", "hibari")


def example(index: int, families: tuple[str | None, ...]) -> Example:
    phrase = ("", "pause", "", "teal")[index % 4]
    family = families[index % len(families)]
    speaker = None if family in (None, "person") else Speaker(str(family), "a")
    if family is None:
        phrase = ""
    group = "command" if phrase else ("noise" if family is None else "word")
    given = 0 if family == "person" else None
    return Example(phrase, phrase, speaker, group, float(index % 20), index, given)


def material(
    count: int, families: tuple[str | None, ...], spread: float = 1.0
) -> tuple[NDArray[np.float32], NDArray[np.int64], list[Example]]:
    examples = [example(index, families) for index in range(count)]
    classes = classes_of(examples, PHRASES)
    rows = np.random.default_rng(2).normal(size=(count, 6)).astype(np.float32) * spread
    rows[np.arange(count), classes] += 2.0
    rows[:, 5] = np.arange(count)  # tells which example it is
    return rows, classes, examples


@pytest.mark.parametrize("families", [(*FAMILIES, None, "person"), ("espeak", None, "person")])
def test_what_is_tried_was_never_learnt_from(
    families: tuple[str | None, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    rows, classes, examples = material(300, families)
    taught: list[set[int]] = []
    tried: list[set[int]] = []
    real, real_scores = training._trained, Network.raw_scores

    def watched(
        rows: NDArray[np.float32], classes: NDArray[np.int64], untaught: NDArray[np.float64],
        members: int, seed: int,
    ) -> Network:  # fmt: skip
        taught.append({int(row[5]) for row in rows})
        return real(rows, classes, untaught, members, seed)

    def watched_scores(self: Network, rows: NDArray[np.float32]) -> NDArray[np.float64]:
        tried.append({int(row[5]) for row in rows})
        return real_scores(self, rows)

    monkeypatch.setattr(training, "_trained", watched)
    monkeypatch.setattr(Network, "raw_scores", watched_scores)
    learnt = learn(rows, classes, examples, 1)
    *turns, final = taught
    assert final == set(range(300))
    assert len(turns) == len(tried) == (3 if len(families) == 5 else 5)
    for seen, held_out in zip(turns, tried, strict=True):
        assert not seen & held_out
        assert seen | held_out == set(range(300))
        if len(families) == 5:
            spoke = {examples[index].family for index in held_out} - {"nobody"}
            assert len(spoke) == 1
            assert spoke.isdisjoint(examples[index].family for index in seen)
    everybody = {index for index in range(300) if examples[index].family != "person"}
    assert sorted(learnt.tried) == sorted(everybody)
    assert sum(map(len, tried)) == len(everybody)
    assert learnt.held_out.shape == (len(everybody), 3)
    assert learnt.held_out.sum(axis=1) == pytest.approx(1.0)


def test_it_learns_and_the_same_seed_learns_the_same() -> None:
    rows, classes, examples = material(400, FAMILIES, 0.5)
    rows[:, 5] = 0.0
    one, other = learn(rows, classes, examples, 3), learn(rows, classes, examples, 3)
    assert (one.held_out.argmax(axis=1) == classes[one.tried]).mean() > 0.9
    assert (one.network.scores(rows).argmax(axis=1) == classes).mean() > 0.9
    assert np.array_equal(one.held_out, other.held_out)
    assert np.array_equal(one.network.scores(rows), other.network.scores(rows))


def loss(
    scores: NDArray[np.float64], classes: NDArray[np.int64], weights: NDArray[np.float64]
) -> float:
    chances = softmax(scores)[np.arange(len(classes)), classes]
    return float(-(weights * np.log(chances + 1e-9)).sum())


@settings(deadline=None, max_examples=15)
@given(st.floats(0.2, 6.0), st.floats(-3.0, 3.0), st.integers(0, 99))
def test_calibration_never_makes_it_worse_and_finds_what_was_spoilt(
    sharper: float, biased: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    true = rng.normal(size=(3_000, 3)) * 2.0
    chances = softmax(true)
    classes = np.array([rng.choice(3, p=row) for row in chances])
    weights = np.full(3_000, 1 / 3_000)
    spoilt = calibrated(true.copy(), sharper, biased)
    sharpness, bias = _calibration(spoilt, classes, weights)
    better = calibrated(spoilt.copy(), sharpness, bias)
    assert loss(better, classes, weights) <= loss(spoilt, classes, weights) + 1e-6
    assert loss(better, classes, weights) == pytest.approx(loss(true, classes, weights), abs=0.01)
    assert sharpness * sharper == pytest.approx(1.0, abs=0.2)


def test_calibration_changes_no_order_among_commands() -> None:
    rng = np.random.default_rng(1)
    network = Network(
        np.zeros(4), np.ones(4),
        (Member(rng.normal(size=(4, 5)), np.zeros(5), rng.normal(size=(5, 4)), np.zeros(4)),),
        rng.normal(size=(4, 4)),
        sharpness=0.4, bias=-2.0,
    )  # fmt: skip
    rows = rng.normal(size=(50, 4)).astype(np.float32)
    raw = network.raw_scores(rows)
    assert np.array_equal(
        np.argsort(raw[:, 1:], axis=1), np.argsort(network.scores(rows)[:, 1:], axis=1)
    )
    assert np.array_equal(raw, network.raw_scores(rows))


def test_what_a_row_says_by_itself_is_heard_without_any_teaching() -> None:
    nothing = Member(np.zeros((11, 5)), np.zeros(5), np.zeros((5, 3)), np.zeros(3))
    network = Network(np.zeros(11), np.ones(11), (nothing,), untaught_weights(2))
    rows = np.zeros((3, 11), np.float32)
    rows[1, 0], rows[2, 1] = 0.4, 0.7  # 4 and 7 nearer than all ordinary words
    assert network.scores(rows).argmax(axis=1).tolist() == [0, 1, 2]
    assert network.scores(rows)[1].tolist() == pytest.approx([0.0, 4.0, 0.0], abs=1e-6)


def test_weights_are_shares_of_what_a_table_hears() -> None:
    examples = material(400, (*FAMILIES, None, "person"))[2]
    weights = weights_of(examples)
    assert weights.sum() == pytest.approx(1.0)
    commands = np.array([bool(example.phrase) for example in examples])
    ratio = weights[commands].sum() / weights[~commands].sum()
    assert ratio == pytest.approx(PRIOR_ODDS)


@pytest.mark.parametrize("told", [True, False])
def test_fusion_takes_of_the_grammar_what_it_is_worth(told: bool) -> None:
    rng = np.random.default_rng(4)
    examples = [example(int(index), FAMILIES) for index in rng.permutation(600)]
    classes = classes_of(examples, PHRASES)
    weights = weights_of(examples)
    scores = np.log(softmax(rng.normal(size=(600, 3)) + 1.5 * np.eye(3)[classes]))
    heard = np.where(rng.random(600) < 0.9, classes, rng.integers(0, 3, 600))
    if not told:
        heard = rng.integers(0, 3, 600)
    agrees = np.eye(3)[heard][:, 1:]
    rest = np.stack([heard == 0, np.ones(600)], axis=1)
    grammar = np.concatenate((agrees, agrees * 0.5, rest), axis=1)
    fusion, tried = learn_fusion(scores, grammar, classes, examples)
    together = loss(fused(scores, grammar, fusion), classes, weights)
    alone = loss(scores, classes, weights)
    held_out = float(-(weights * np.log(tried[np.arange(600), classes])).sum())
    assert together <= alone + 1e-6
    assert tried.sum(axis=1) == pytest.approx(1.0)
    if told:
        assert held_out < 0.8 * alone
        assert fusion.agreement + 0.5 * fusion.surety > 1.0
    else:
        assert held_out < 1.1 * alone


def test_a_phrase_that_nobody_could_say_is_an_error() -> None:
    with pytest.raises(EngineFailed, match="could say 'amber', 'violet'"):
        classes_of([example(index, FAMILIES) for index in range(8)], (*PHRASES, "violet", "amber"))


def test_curves_count_what_is_there() -> None:
    examples = [example(index, FAMILIES) for index in range(240)]
    classes = classes_of(examples, PHRASES)
    chances = np.full((240, 3), 0.01)
    chances[np.arange(240), classes] = 0.98
    wrong = np.flatnonzero(classes == 1)[:6]
    chances[wrong] = (0.01, 0.01, 0.98)
    outside = np.flatnonzero(classes == 0)[:4]
    chances[outside] = (0.0, 1.0, 0.0)
    found = measured(examples, classes, chances)
    assert sum(rate["said"] for rate in found["rates"]) == (classes > 0).sum() == 120
    assert sum(rate["nearest_right"] for rate in found["rates"]) == 120 - 6
    assert sum(rate["acted_right"] for rate in found["rates"]) == 120 - 6
    assert sum(rate["acted_wrong"] for rate in found["rates"]) == 6
    assert sum(rate["outside_acted"] for rate in found["rates"]) == 4
    assert sum(one["acted"] for one in found["outside"]) == 4
    assert sum(one["n"] for one in found["reliability"]) == 240
    at = {threshold: (missed, acted) for threshold, missed, acted in found["trade_off"]}
    assert at[ACT] == (pytest.approx(6 / 120), pytest.approx(4 / 120, abs=1e-4))
    assert at[0.995] == (1.0, pytest.approx(4 / 120, abs=1e-4))
    assert measured([], classes[:0], chances[:0])["rates"] == []
