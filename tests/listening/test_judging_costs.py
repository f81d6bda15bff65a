"""The judge by cost: against every choice computed the long way, and how it moves with costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tablevoice.listening.judging import (
    ALL_CHOICES,
    HIGHEST_COST,
    Costs,
    JudgeOptions,
    decide,
    expected_costs,
    implied,
    judge,
    senseless,
    what_would_change,
)
from tablevoice.listening.matching import match
from tablevoice.model import Hypothesis, Match, StandingKind, Verdict

NO_TEXT = Hypothesis("", 0.0, False)
ANSWERS = ("amber", "violet", "teal")
MEANINGS = (*ANSWERS, *StandingKind.ALL)
BOLD = [Verdict.IGNORE, Verdict.ASK_AGAIN, Verdict.CONFIRM, Verdict.ACT]

costs_of_any_kind = st.builds(Costs, *([st.floats(0.1, 100.0)] * 8))


@st.composite
def sensible_costs(draw: st.DrawFn) -> Costs:
    """Costs of any kind that are in order: nothing wrong is cheaper than speaking."""
    costs = draw(costs_of_any_kind)
    speaking = max(costs.asking, costs.confirming, costs.bothering)
    return replace(
        costs,
        wrong_answer=speaking + costs.wrong_answer,
        wrong_help=speaking + costs.wrong_help,
        missed_pause=costs.bothering + costs.missed_pause,
    )


possibles = st.sampled_from(
    [ALL_CHOICES, ALL_CHOICES - {Verdict.CONFIRM},
     frozenset({Verdict.ACT, Verdict.IGNORE})]
)  # fmt: skip


@st.composite
def heard(draw: st.DrawFn, meanings: tuple[str, ...] = MEANINGS) -> dict[str, float]:
    """Probabilities of a few meanings that leave something for none of them."""
    chosen = draw(st.lists(st.sampled_from(meanings), min_size=1, max_size=4, unique=True))
    shares = [draw(st.floats(0.01, 1.0)) for _ in chosen]
    all_of_it = draw(st.floats(0.02, 1.0)) / sum(shares)
    return {meaning: share * all_of_it for meaning, share in zip(chosen, shares, strict=True)}


def found(meanings: dict[str, float]) -> Match:
    phrases = {meaning.replace("_", " "): meaning for meaning in meanings}
    return match(NO_TEXT, phrases, {phrase: meanings[phrases[phrase]] for phrase in phrases})


def options(costs: Costs) -> JudgeOptions:
    return JudgeOptions(costs=costs)


def cost_of(choice: Verdict, of: str, said: str | None, costs: Costs) -> float:
    """What a choice about the meaning ``of`` costs when ``said`` was said, read off the docs."""
    said_hold, held = said in StandingKind.HOLDS, of in StandingKind.HOLDS
    if choice is Verdict.ACT and held:
        if said_hold:
            return 0.0
        return costs.wrong_pause + (0.0 if said is None else costs.missed_answer)
    missed = costs.missed_pause if said_hold else 0.0
    match choice:
        case Verdict.ACT:
            if said == of:
                return 0.0
            asked_for = of in (StandingKind.REPEAT, StandingKind.HELP)
            return missed + (costs.wrong_help if asked_for else costs.wrong_answer)
        case Verdict.CONFIRM:
            if said is None:
                return costs.bothering
            return missed + costs.confirming + (0.0 if said == of else costs.asking)
        case Verdict.ASK_AGAIN:
            return missed + (costs.bothering if said is None else costs.asking)
        case Verdict.IGNORE:
            if said is None:
                return 0.0
            return missed if said_hold else costs.missed_answer


def the_long_way(
    meanings: dict[str, float], costs: Costs, possible: frozenset[Verdict]
) -> dict[tuple[Verdict, str], float]:
    """Expected cost of every choice, world by world: what was said, and what each costs then."""
    best = max(sorted(meanings), key=lambda one: meanings[one])
    choices = [(verdict, best) for verdict in possible]
    choices += [(Verdict.ACT, hold) for hold in StandingKind.HOLDS if hold in meanings]
    worlds: list[tuple[str | None, float]] = [*meanings.items(), (None, 1 - sum(meanings.values()))]

    return {
        (choice, of): sum(p * cost_of(choice, of, said, costs) for said, p in worlds)
        for choice, of in choices
        if not (choice is Verdict.CONFIRM and of in StandingKind.ALL)
    }


@given(heard(), costs_of_any_kind, possibles)
@settings(max_examples=200)
def test_the_judge_takes_what_costs_least_of_all_choices_computed_one_by_one(
    meanings: dict[str, float], costs: Costs, possible: frozenset[Verdict]
) -> None:
    judged = decide(found(meanings), options(costs), possible=possible)
    every = the_long_way(meanings, costs, possible)
    least = min(every.values())
    assert judged.match.meaning is not None
    assert every[judged.verdict, judged.match.meaning] == pytest.approx(least, abs=1e-9)
    for choice, cost in judged.expected_costs.items():
        if (choice, judged.match.meaning) in every:
            assert cost == pytest.approx(every[choice, judged.match.meaning], abs=1e-9)


@given(heard(), costs_of_any_kind, st.floats(0.01, 5.0), st.booleans())
def test_only_the_ratios_of_the_costs_count(
    meanings: dict[str, float], costs: Costs, factor: float, during_speech: bool
) -> None:
    scaled = Costs(**{name: cost * factor for name, cost in costs.named().items()})
    every = sorted(the_long_way(meanings, costs, ALL_CHOICES).values())
    assume(len(every) < 2 or every[1] - every[0] > 1e-9)
    one = decide(found(meanings), options(costs), during_speech=during_speech)
    other = decide(found(meanings), options(scaled), during_speech=during_speech)
    assert (one.verdict, one.match.meaning) == (other.verdict, other.match.meaning)


# A higher cost never brings on what it is the cost of.
DETERS = {
    "wrong_answer": lambda verdict, meaning: verdict is Verdict.ACT
    and meaning in (*ANSWERS, StandingKind.NEVER_MIND),
    "wrong_help": lambda verdict, meaning: verdict is Verdict.ACT
    and meaning in (StandingKind.REPEAT, StandingKind.HELP),
    "wrong_pause": lambda verdict, meaning: verdict is Verdict.ACT
    and meaning in StandingKind.HOLDS,
    "missed_pause": lambda verdict, meaning: verdict is not Verdict.ACT
    or meaning not in StandingKind.HOLDS,
    "missed_answer": lambda verdict, meaning: verdict is Verdict.IGNORE,
    "confirming": lambda verdict, meaning: verdict is Verdict.CONFIRM,
    "bothering": lambda verdict, meaning: verdict in (Verdict.ASK_AGAIN, Verdict.CONFIRM),
}


@given(heard(), costs_of_any_kind, st.sampled_from(sorted(DETERS)), st.floats(1.0, 9.0), possibles)
@settings(max_examples=200)
def test_a_dearer_mistake_is_never_made_more_willingly(
    meanings: dict[str, float], costs: Costs, name: str, times: float,
    possible: frozenset[Verdict],
) -> None:  # fmt: skip
    every = sorted(the_long_way(meanings, costs, possible).values())
    assume(len(every) < 2 or every[1] - every[0] > 1e-9)
    dearer = replace(costs, **{name: costs.named()[name] * times})
    before = decide(found(meanings), options(costs), possible=possible)
    after = decide(found(meanings), options(dearer), possible=possible)
    if not DETERS[name](before.verdict, before.match.meaning):
        assert not DETERS[name](after.verdict, after.match.meaning)


@given(heard(ANSWERS), costs_of_any_kind, st.floats(1.0, 9.0))
def test_dearer_asking_never_leads_to_asking_one_who_had_not_been_asked(
    meanings: dict[str, float], costs: Costs, times: float
) -> None:
    before = judge(found(meanings), options(costs))
    after = judge(found(meanings), options(replace(costs, asking=costs.asking * times)))
    assume(before is not Verdict.ASK_AGAIN)
    assert after is not Verdict.ASK_AGAIN


@given(
    heard(), sensible_costs(), st.floats(0.0, 1.0), st.sampled_from(["nobody", "others"]), possibles
)
@settings(max_examples=200, suppress_health_check=[HealthCheck.filter_too_much])
def test_more_certainty_never_makes_the_judge_shrink_from_acting(
    meanings: dict[str, float], costs: Costs, more: float, taken_from: str,
    possible: frozenset[Verdict],
) -> None:  # fmt: skip
    judged = decide(found(meanings), options(costs), possible=possible)
    best = judged.match.meaning
    assume(judged.verdict is Verdict.ACT and best is not None)
    assert best is not None
    moved = dict(meanings)
    if taken_from == "nobody":
        moved[best] += more * (1 - sum(meanings.values()))
    else:
        others = [one for one in meanings if one != best]
        moved[best] += more * sum(meanings[one] for one in others)
        moved |= {one: (1 - more) * meanings[one] for one in others}
    every = sorted(the_long_way(moved, costs, possible).values())
    assume(len(every) < 2 or every[1] - every[0] > 1e-9)
    again = decide(found(moved), options(costs), possible=possible)
    holds = best in StandingKind.HOLDS
    assert again.verdict is Verdict.ACT
    assert again.match.meaning in (StandingKind.HOLDS if holds else (best,))


@given(st.floats(0.01, 1.0), sensible_costs())
def test_the_implied_thresholds_are_where_the_verdict_turns(p: float, costs: Costs) -> None:
    from_p = implied(costs)
    for at in (from_p.act_from, from_p.confirm_from, from_p.ask_from, from_p.hold_from,
               from_p.help_from, from_p.help_idle_from):  # fmt: skip
        assume(abs(p - at) > 1e-6)
    idle = frozenset({Verdict.ACT, Verdict.IGNORE})
    answer = judge(found({"amber": p}), options(costs))
    assert (answer is Verdict.ACT) == (p > from_p.act_from)
    if p < from_p.act_from and costs.confirming < costs.asking:
        assert (answer is Verdict.CONFIRM) == (p > from_p.confirm_from)
    hold = decide(found({"pause": p}), options(costs), possible=idle).verdict
    assert (hold is Verdict.ACT) == (p > from_p.hold_from)
    idly = decide(found({"help": p}), options(costs), possible=idle).verdict
    assert (idly is Verdict.ACT) == (p > from_p.help_idle_from)
    assert (judge(found({"help": p}), options(costs)) is Verdict.ACT) == (p > from_p.help_from)


# --- the defaults, as the docstring derives them ---------------------------------


def test_the_thresholds_of_the_default_costs() -> None:
    by_default = implied(Costs())
    assert by_default.act_from == pytest.approx(20 / 21)
    assert by_default.confirm_from == pytest.approx(4 / 9)
    assert by_default.ask_from == pytest.approx(0.5)
    assert by_default.help_from == pytest.approx(10 / 11)
    assert by_default.help_idle_from == pytest.approx(0.8)
    assert by_default.hold_from == pytest.approx(0.4)
    assert senseless(Costs()) == []


@pytest.mark.parametrize(
    ("meanings", "verdict", "meaning"),
    [
        ({"amber": 0.96}, Verdict.ACT, "amber"),
        ({"amber": 0.94}, Verdict.CONFIRM, "amber"),
        ({"amber": 0.954, "violet": 0.046}, Verdict.CONFIRM, "amber"),
        ({"amber": 0.956, "violet": 0.044}, Verdict.ACT, "amber"),
        ({"amber": 0.46}, Verdict.CONFIRM, "amber"),
        ({"amber": 0.43}, Verdict.IGNORE, "amber"),
        ({"amber": 0.30, "violet": 0.25, "teal": 0.1}, Verdict.ASK_AGAIN, "amber"),
        ({"amber": 0.18, "violet": 0.15, "teal": 0.1}, Verdict.IGNORE, "amber"),
        ({"pause": 0.41}, Verdict.ACT, "pause"),
        ({"pause": 0.39}, Verdict.IGNORE, "pause"),
        ({"pause": 0.2, "stop": 0.21}, Verdict.ACT, "stop"),
        ({"amber": 0.5, "pause": 0.45}, Verdict.ACT, "pause"),
        ({"amber": 0.97, "pause": 0.03}, Verdict.ACT, "amber"),
        ({"help": 0.92}, Verdict.ACT, "help"),
        ({"help": 0.89}, Verdict.ASK_AGAIN, "help"),
        ({"never_mind": 0.93}, Verdict.ACT, "never_mind"),
        ({"never_mind": 0.90}, Verdict.ASK_AGAIN, "never_mind"),
    ],
)
def test_verdicts_of_the_default_costs(
    meanings: dict[str, float], verdict: Verdict, meaning: str
) -> None:
    judged = decide(found(meanings))
    assert (judged.verdict, judged.match.meaning) == (verdict, meaning)


def test_a_hold_that_an_answer_would_not_have_done_for_says_so() -> None:
    assert decide(found({"pause": 0.5})).on_less_evidence
    assert not decide(found({"pause": 0.97})).on_less_evidence
    assert not decide(found({"amber": 0.97})).on_less_evidence
    taken_over = decide(found({"amber": 0.5, "pause": 0.45}))
    assert taken_over.on_less_evidence
    assert (taken_over.match.phrase, taken_over.match.runner_up) == ("pause", "amber")


def test_over_a_voice_of_the_table_only_a_hold_is_acted_on_at_once() -> None:
    for meaning, p, verdict in [
        ("pause", 0.5, Verdict.ACT), ("stop", 0.9, Verdict.ACT), ("pause", 0.3, Verdict.IGNORE),
        ("amber", 0.99, Verdict.CONFIRM), ("amber", 0.7, Verdict.IGNORE),
        ("help", 0.99, Verdict.CONFIRM), ("help", 0.7, Verdict.IGNORE),
    ]:  # fmt: skip
        assert judge(found({meaning: p}), during_speech=True) is verdict


def test_the_yes_to_something_heard_before_needs_less() -> None:
    possible = ALL_CHOICES - {Verdict.CONFIRM}
    yes = found({"yes": 0.85})
    assert decide(yes, possible=possible, stake=0.5).verdict is Verdict.ACT
    assert decide(yes, possible=possible).verdict is Verdict.ASK_AGAIN


def test_a_pause_is_missed_not_asked_about() -> None:
    # Below the threshold no cost of asking makes the judge ask.
    cheap = Costs(asking=0.0, bothering=0.0, confirming=0.0)
    assert judge(found({"pause": 0.3}), options(cheap)) is Verdict.IGNORE


@given(heard())
def test_outside_talk_is_left_alone(meanings: dict[str, float]) -> None:
    # b / (b + missed_answer - confirming) = 4/9 is the least that speaking to somebody takes.
    assume(sum(meanings.values()) < 4 / 9 - 1e-9)
    assume(sum(meanings.get(hold, 0) for hold in StandingKind.HOLDS) < 0.4 - 1e-9)
    assert judge(found(meanings)) is Verdict.IGNORE


def test_in_a_calibrated_world_no_rule_of_thumb_costs_less() -> None:
    """Draw what was said from the probabilities themselves and pay for each choice."""
    rng = np.random.default_rng(4)
    names: list[str | None] = ["amber", "violet", "teal", "pause", "repeat", None]
    costs = Costs()
    paid: dict[str, float] = {}
    acted = wrong = 0
    trials = 4000
    for _ in range(trials):
        shares = rng.dirichlet(rng.choice([0.02, 0.1, 0.5]) * np.array([1, 1, 1, 1, 1, 3]))
        said = names[rng.choice(len(names), p=shares)]
        meanings = {name: float(p) for name, p in zip(names, shares, strict=True)
                    if name is not None and p > 0}  # fmt: skip
        judged = decide(found(meanings))
        of = judged.match.meaning
        assert of is not None
        chosen = {"least cost": (judged.verdict, of)}
        best = found(meanings)
        assert best.meaning is not None
        for sure in (0.5, 0.75, 0.95, 0.99):
            for unclear in (Verdict.IGNORE, Verdict.ASK_AGAIN, Verdict.CONFIRM):
                act = Verdict.ACT if best.score >= sure else unclear
                chosen[f"{sure} else {unclear.value}"] = (act, best.meaning)
        for rule, (choice, meaning) in chosen.items():
            paid[rule] = paid.get(rule, 0.0) + cost_of(choice, meaning, said, costs)
        if judged.verdict is Verdict.ACT and of in ANSWERS:
            acted += 1
            wrong += said != of
    assert acted > 300
    # No more than the threshold's own doubt, 1/21, even at the very margin.
    assert wrong / acted < 1 / 21
    rules = {rule: cost for rule, cost in paid.items() if rule != "least cost"}
    assert paid["least cost"] < min(rules.values())


# --- what would have to cost otherwise --------------------------------------------


@given(heard(), costs_of_any_kind, st.booleans(), possibles)
@settings(max_examples=120)
def test_a_cost_moved_past_its_turning_point_turns_the_verdict(
    meanings: dict[str, float], costs: Costs, during_speech: bool, possible: frozenset[Verdict]
) -> None:
    judged = decide(
        found(meanings), options(costs), during_speech=during_speech, possible=possible
    )
    changes = what_would_change(
        found(meanings), costs, during_speech=during_speech, possible=possible
    )
    assert len({change.cost for change in changes}) == len(changes)
    for change in changes:
        assert change.now == costs.named()[change.cost]
        away = 1e-5 * max(1.0, change.turns_at)
        sign = 1 if change.turns_at >= change.now else -1
        assert 0 <= change.turns_at <= HIGHEST_COST
        past = replace(costs, **{change.cost: max(0.0, change.turns_at + sign * away)})
        turned = decide(
            found(meanings), options(past), during_speech=during_speech, possible=possible
        )
        assert (turned.verdict, turned.match.meaning) != (judged.verdict, judged.match.meaning)


def test_what_it_would_take_is_told_nearest_first() -> None:
    first, *others = what_would_change(found({"amber": 0.9}), Costs())
    assert decide(found({"amber": 0.9})).verdict is Verdict.CONFIRM
    # act 24 (1 - 0.9) = 2.4 against confirm 0.9 x 1 + 0.1 x 4 = 1.3: confirming would have to
    # cost 2 / 0.9 = 2.22, or wrong_answer 13, which is nearer; asking 2 x 0.9 + 0.4 is the
    # cheaper one below 1.
    assert (first.cost, first.verdict) == ("wrong_answer", Verdict.ACT)
    assert first.turns_at == pytest.approx(13.0)
    by_name = {change.cost: change for change in others}
    assert by_name["asking"].turns_at == pytest.approx(1.0)
    assert by_name["asking"].verdict is Verdict.ASK_AGAIN
    assert by_name["confirming"].turns_at == pytest.approx(2.0)


@pytest.mark.parametrize("cost", [-0.1, 1000.1, float("nan"), float("inf")])
def test_a_cost_is_a_number_in_its_bounds(cost: float) -> None:
    with pytest.raises(ValueError, match="asking"):
        Costs(asking=cost)


def test_costs_that_make_no_sense_are_named() -> None:
    assert senseless(Costs(wrong_answer=3.0)) == [("wrong_answer", "bothering")]
    assert senseless(Costs(missed_pause=1.0)) == [("missed_pause", "bothering")]


def test_the_stated_costs_are_those_of_the_choices_that_were_possible() -> None:
    idle = frozenset({Verdict.ACT, Verdict.IGNORE})
    assert set(expected_costs(found({"amber": 0.5}), Costs(), idle)) == set(idle)
    assert Verdict.CONFIRM not in expected_costs(found({"help": 0.5}), Costs())
    assert set(expected_costs(found({"amber": 0.5}), Costs())) == set(BOLD)
