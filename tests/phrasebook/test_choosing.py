"""The chooser against the words of its rules, and against a plain telling of them."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise, permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tablevoice.errors import MessageRefused
from tablevoice.model import (
    Condition,
    EventLines,
    Line,
    Phrasebook,
    Priority,
    SlotValue,
    Spent,
)
from tablevoice.phrasebook.choosing import Chooser, Chosen
from tablevoice.phrasebook.slots import eligible, voice_of

few = settings(max_examples=40, deadline=None)

Call = dict[str, SlotValue]
ARMS = ("Alder", "Briar", "Cicely")
PLAIN: Call = {"arm": "Alder", "lights": 0}


def book(lines: Sequence[Line]) -> Phrasebook:
    event = EventLines("turn", "", ("arm", "lights"), Priority.MOVE, 8.0, True, None, None,
                       tuple(lines))
    return Phrasebook("test", "en", {"arm": ARMS, "lights": tuple(range(4))}, {"turn": event},
                      {}, {})


def plain_lines(count: int, voice: str | None = None) -> list[Line]:
    return [Line(f"k{number}", "turn", f"Line {number}.", voice) for number in range(count)]


def say(chooser: Chooser, calls: Sequence[Call]) -> list[Chosen]:
    return [chooser.choose("turn", call, "Alder") for call in calls]


conditions = st.one_of(
    st.just(()),
    st.sampled_from(range(4)).map(lambda value: (Condition("lights", among=(value,)),)),
    st.sampled_from(range(4)).map(lambda value: (Condition("lights", not_among=(value,)),)),
    st.sampled_from(range(4)).map(lambda value: (Condition("lights", at_least=value),)),
    st.sampled_from(ARMS).map(lambda arm: (Condition("arm", among=(arm,)),)),
)


@st.composite
def mixed_lines(draw: st.DrawFn) -> list[Line]:
    lines = [
        Line(
            key=f"k{number}",
            event="turn",
            text=f"Line {number}.",
            voice=draw(st.sampled_from([None, "{arm}", "Alder", "Briar"])),
            weight=draw(st.sampled_from([0.0, 0.1, 1.0, 1.0, 5.0])),
            when=draw(conditions),
        )
        for number in range(draw(st.integers(1, 9)))
    ]
    return [*lines, Line("always", "turn", "Always.", draw(st.sampled_from([None, "{arm}"])))]


calls_of = st.lists(
    st.fixed_dictionaries({"arm": st.sampled_from(ARMS), "lights": st.integers(0, 3)}),
    min_size=1, max_size=40)


def may_come(lines: Sequence[Line], call: Call) -> list[Line]:
    return [line for line in lines if line.weight > 0 and eligible(line, call)]


# --- the rules ---------------------------------------------------------------------


@few
@given(count=st.integers(1, 12), rounds=st.integers(2, 4), seed=st.integers(0, 2**32))
def test_every_round_says_each_line_once(count: int, rounds: int, seed: int) -> None:
    said = say(Chooser(book(plain_lines(count)), seed), [PLAIN] * (count * rounds))
    keys = [chosen.line.key for chosen in said]
    every = sorted(f"k{number}" for number in range(count))
    for start in range(0, len(keys), count):
        assert sorted(keys[start : start + count]) == every


@few
@given(lines=mixed_lines(), calls=calls_of, seed=st.integers(0, 2**16))
def test_never_the_same_line_twice_running(
    lines: list[Line], calls: list[Call], seed: int
) -> None:
    said = say(Chooser(book(lines), seed), calls)
    for call, before, after in zip(calls[1:], said, said[1:], strict=False):
        if before.line.key == after.line.key:
            assert len(may_come(lines, call)) == 1


@few
@given(lines=mixed_lines(), calls=calls_of, seed=st.integers(0, 2**16))
def test_a_line_never_said_comes_before_one_that_was(
    lines: list[Line], calls: list[Call], seed: int
) -> None:
    ever: set[str] = set()
    for call, chosen in zip(calls, say(Chooser(book(lines), seed), calls), strict=True):
        new = {line.key for line in may_come(lines, call)} - ever
        assert chosen.line.key in new or not new
        assert chosen.line.weight > 0
        assert eligible(chosen.line, call)
        ever.add(chosen.line.key)


@few
@given(lines=mixed_lines(), calls=calls_of, seed=st.integers(0, 2**16))
def test_a_line_unused_in_the_round_is_preferred(
    lines: list[Line], calls: list[Call], seed: int
) -> None:
    """Rounds read off the rows: the one said was last said in the lowest round of those that may.

    Only the line said just before may be passed over for being the last one.
    """
    rounds: dict[str, int] = {}
    last: str | None = None
    for call, chosen in zip(calls, say(Chooser(book(lines), seed), calls), strict=True):
        fitting = [line.key for line in may_come(lines, call)]
        others = [key for key in fitting if key != last] or fitting
        assert rounds.get(chosen.line.key, 0) == min(rounds.get(key, 0) for key in others)
        assert chosen.spent.round > rounds.get(chosen.line.key, 0)
        rounds[chosen.line.key] = chosen.spent.round
        last = chosen.line.key


@few
@given(own=st.tuples(st.integers(2, 5), st.integers(2, 5)), seed=st.integers(0, 2**16),
       rounds=st.integers(2, 5))
def test_both_rules_hold_for_each_voice_with_lines_of_its_own(
    own: tuple[int, int], seed: int, rounds: int
) -> None:
    lines = [Line(f"{voice}{number}", "turn", f"{voice} {number}.", voice)
             for voice, count in zip(ARMS, own, strict=False) for number in range(count)]
    said = say(Chooser(book(lines), seed), [PLAIN] * (sum(own) * rounds))
    for voice, count in zip(ARMS, own, strict=False):
        keys = [chosen.line.key for chosen in said if chosen.voice == voice]
        for start in range(0, len(keys), count):
            assert len(set(keys[start : start + count])) == count
        assert all(before != after for before, after in pairwise(keys))


@few
@given(count=st.integers(2, 8), seed=st.integers(0, 2**16), arms=st.lists(
    st.sampled_from(ARMS), min_size=10, max_size=60))
def test_a_voice_takes_lines_it_has_not_said_where_the_event_leaves_some(
    count: int, seed: int, arms: list[str]
) -> None:
    """With shared lines: among the event's open lines, those open to the voice come first."""
    said = say(Chooser(book(plain_lines(count, "{arm}")), seed),
               [{"arm": arm, "lights": 0} for arm in arms])
    rounds: Counter[str] = Counter()
    own: dict[str, Counter[str]] = {arm: Counter() for arm in ARMS}
    last: str | None = None
    keys = [f"k{number}" for number in range(count)]
    for chosen in said:
        voice, key = own[chosen.voice], chosen.line.key
        others = [each for each in keys if each != last]
        lowest = min(rounds[each] for each in others)
        open_lines = [each for each in others if rounds[each] == lowest]
        assert key in open_lines
        due = [each for each in open_lines if voice[each] == min(voice.values(), default=0)]
        if due and any(each not in voice for each in open_lines):
            assert key not in voice
        rounds[key] = chosen.spent.round
        voice[key] = chosen.spent.voice_round
        last = key


# --- a plain telling of the rules ----------------------------------------------------


class PlainChooser:
    """The same rules over whole lists, without heaps: slow, and short enough to be believed."""

    def __init__(self, lines: Sequence[Line], order: Mapping[tuple[str, int], float]) -> None:
        self.lines, self.order = lines, order
        self.rounds: Counter[str] = Counter()
        self.own: dict[str, Counter[str]] = {}
        self.last: str | None = None
        self.last_of: dict[str, str] = {}

    def choose(self, call: Call) -> tuple[str, int, int]:
        fitting = may_come(self.lines, call)
        voices = {line.key: voice_of(line, call, "Alder") for line in fitting}
        highest = max(self.rounds[line.key] for line in fitting)
        others = [line for line in fitting if line.key != self.last] or fitting
        behind = {}
        for line in fitting:
            voice = voices[line.key]
            own = self.own.setdefault(voice, Counter())
            mates = [mate.key for mate in fitting if voices[mate.key] == voice]
            rest = [mate for mate in mates if mate != self.last_of.get(voice)] or mates
            is_last = len(mates) > 1 and line.key == self.last_of.get(voice)
            behind[line.key] = 10**9 if is_last else own[line.key] - min(own[m] for m in rest)
        chosen = min(others, key=lambda line: (
            self.rounds[line.key], behind[line.key], self.order[line.key, self.rounds[line.key]]))
        voice, key = voices[chosen.key], chosen.key
        own = self.own[voice]
        own_highest = max(own[line.key] for line in fitting if voices[line.key] == voice)
        self.rounds[key] = highest if self.rounds[key] < highest else highest + 1
        own[key] = own_highest if own[key] < own_highest else own[key] + 1
        self.last = self.last_of[voice] = key
        return key, self.rounds[key], own[key]


@few
@given(lines=mixed_lines(), calls=calls_of, seed=st.integers(0, 2**16))
def test_the_fast_chooser_does_what_the_plain_one_says(
    lines: list[Line], calls: list[Call], seed: int
) -> None:
    chooser = Chooser(book(lines), seed)
    # The draws are taken from the chooser: this test is about the rules, the next about weights.
    rounds = chooser._events["turn"]
    order = {(line.key, round_): rounds._fraction(index, round_)
             for index, line in enumerate(lines) for round_ in range(len(calls) + 2)}
    plain = PlainChooser(lines, order)
    for call in calls:
        chosen = chooser.choose("turn", call, "Alder")
        row = chosen.spent
        assert (row.line_key, row.round, row.voice_round) == plain.choose(call)


# --- weights -------------------------------------------------------------------------


def test_weights_decide_who_comes_first() -> None:
    """First draws over 4,000 seeds against weight / sum of weights (chi-square test)."""
    weights = [1.0, 2.0, 3.0, 6.0]
    lines = [Line(f"k{number}", "turn", f"Line {number}.", None, weight)
             for number, weight in enumerate(weights)]
    whole = book(lines)
    firsts = Counter(Chooser(whole, seed).choose("turn", PLAIN, "Alder").line.key
                     for seed in range(4000))
    expected = [4000 * weight / sum(weights) for weight in weights]
    found = [firsts[line.key] for line in lines]
    assert stats.chisquare(found, expected).pvalue > 1e-4


def test_the_order_within_a_round_is_weighted_sampling_without_replacement() -> None:
    """Orders over 3,000 seeds against the product of successive weighted draws (chi-square).

    Efraimidis and Spirakis (2006) show that their keys give the order of such draws.
    """
    weights = {"k0": 1.0, "k1": 2.0, "k2": 4.0}
    whole = book([Line(key, "turn", f"{key}.", None, weight) for key, weight in weights.items()])
    found = Counter(
        tuple(chosen.line.key for chosen in say(Chooser(whole, seed), [PLAIN] * 3))
        for seed in range(3000))
    orders = list(permutations(weights))
    expected = []
    for order in orders:
        left, chance = sum(weights.values()), 1.0
        for key in order:
            chance *= weights[key] / left
            left -= weights[key]
        expected.append(3000 * chance)
    assert stats.chisquare([found[order] for order in orders], expected).pvalue > 1e-4


def test_a_later_round_draws_anew_among_all_but_the_last_line() -> None:
    weights = {"k0": 1.0, "k1": 2.0, "k2": 4.0}
    whole = book([Line(key, "turn", f"{key}.", None, weight) for key, weight in weights.items()])
    pairs = Counter(
        (keys[5], keys[6]) for seed in range(3000)
        for keys in [[chosen.line.key for chosen in say(Chooser(whole, seed), [PLAIN] * 7)]])
    for last in weights:
        free = [key for key in weights if key != last]
        found = [pairs[last, key] for key in free]
        expected = [sum(found) * weights[key] / sum(weights[each] for each in free)
                    for key in free]
        assert pairs[last, last] == 0
        assert stats.chisquare(found, expected).pvalue > 1e-4


def test_a_line_of_weight_0_rests() -> None:
    lines = [*plain_lines(2), Line("rests", "turn", "Not now.", None, 0.0)]
    said = say(Chooser(book(lines), 5), [PLAIN] * 20)
    assert {chosen.line.key for chosen in said} == {"k0", "k1"}


# --- restarts ------------------------------------------------------------------------


@few
@given(lines=mixed_lines(), calls=calls_of, seed=st.integers(0, 2**16), data=st.data())
def test_a_crash_after_any_row_changes_nothing(
    lines: list[Line], calls: list[Call], seed: int, data: st.DataObject
) -> None:
    whole = book(lines)
    unbroken = [chosen.spent for chosen in say(Chooser(whole, seed), calls)]
    cut = data.draw(st.integers(0, len(calls)))
    after = say(Chooser(whole, seed, unbroken[:cut]), calls[cut:])
    assert [chosen.spent for chosen in after] == unbroken[cut:]
    # The same from the tidied rows, which are no more than one a line and voice.
    tidied = Chooser(whole, seed, unbroken[:cut]).rows()
    assert len(tidied) == len({(row.voice, row.line_key) for row in unbroken[:cut]})
    again = say(Chooser(whole, seed, tidied), calls[cut:])
    assert [chosen.spent for chosen in again] == unbroken[cut:]


@few
@given(count=st.integers(2, 9), cut=st.integers(1, 40), seed=st.integers(0, 99))
def test_rows_of_earlier_rounds_can_be_deleted(count: int, cut: int, seed: int) -> None:
    whole = book(plain_lines(count))
    chooser = Chooser(whole, seed)
    rows = [chosen.spent for chosen in say(chooser, [PLAIN] * cut)]
    kept = [row for row in rows if row.round == chooser.current_round("turn")]
    said_so_far = [row.line_key for row in rows]
    after = [chosen.line.key for chosen in say(Chooser(whole, seed + 1, kept), [PLAIN] * count)]
    assert after[0] != said_so_far[-1]
    in_round = (said_so_far[cut - cut % count :] if cut % count else []) + after
    assert len(set(in_round[:count])) == count


def test_a_keeper_without_voice_rounds_still_keeps_the_events_rule() -> None:
    whole = book(plain_lines(6, "{arm}"))
    calls: list[Call] = [{"arm": ARMS[number % 2], "lights": 0} for number in range(9)]
    rows = [chosen.spent for chosen in say(Chooser(whole, 3), calls)]
    bare = [Spent(row.event, row.voice, row.line_key, row.round) for row in rows]
    after = [chosen.line.key for chosen in say(Chooser(whole, 3, bare), calls[:3])]
    assert sorted([row.line_key for row in rows[6:]] + after) == [f"k{n}" for n in range(6)]


def test_damaged_and_foreign_rows_are_passed_over() -> None:
    whole = book(plain_lines(3))
    rows = [Spent("gone", "Alder", "k0", 1), Spent("turn", "Alder", "edited away", 4),
            Spent("turn", "Alder", "k0", -7), Spent("turn", "Alder", "k1", 2**62)]
    chooser = Chooser(whole, 1, rows)
    assert chooser.rows() == ()
    assert chooser.current_round("turn") == 0
    keys = [chosen.line.key for chosen in say(chooser, [PLAIN] * 3)]
    assert sorted(keys) == ["k0", "k1", "k2"]


# --- size and refusals -----------------------------------------------------------------


def test_ten_thousand_lines_with_conditions_and_a_restart() -> None:
    random_calls = random.Random(4)
    lines = [
        Line(f"k{number}", "turn", f"Line {number}.", "{arm}", 1.0 + number % 2,
             (Condition("lights", among=(number % 4,)),) if number % 5 == 0 else ())
        for number in range(10_000)
    ]
    whole = book(lines)
    calls: list[Call] = [{"arm": random_calls.choice(ARMS), "lights": random_calls.randrange(4)}
                         for _ in range(9_000)]
    first = Chooser(whole, 9)
    said = say(first, calls[:4_500])
    said += say(Chooser(whole, 9, first.rows()), calls[4_500:])
    keys = [chosen.line.key for chosen in said]
    # 8,000 lines may always come, so none can come back within the first 8,000.
    assert len(set(keys[:8_000])) == 8_000


def test_the_same_seed_gives_the_same_lines_and_another_seed_others() -> None:
    whole = book(plain_lines(30))
    orders = [tuple(chosen.line.key for chosen in say(Chooser(whole, seed), [PLAIN] * 30))
              for seed in (1, 1, 2)]
    assert orders[0] == orders[1]
    assert orders[0] != orders[2]


@pytest.mark.parametrize(
    ("event", "slots", "words"),
    [
        ("trun", {}, "Did you mean 'turn'?"),
        ("turn", {"lights": 2}, "slot 'arm' has no value"),
        ("turn", {"arm": "Al\x07der", "lights": 2}, "control character U+0007"),
        ("turn", {"arm": "Alder", "lights": 3}, "no line of event 'turn' fits"),
    ],
)
def test_refusals_say_what_to_do_and_change_nothing(
    event: str, slots: Call, words: str
) -> None:
    lines = [Line("k0", "turn", "{arm} {lights}.", "{arm}",
                  when=(Condition("lights", among=(0, 1, 2)),))]
    chooser = Chooser(book(lines), 1)
    with pytest.raises(MessageRefused) as refused:
        chooser.choose(event, slots, "Alder")
    assert words in str(refused.value)
    assert chooser.rows() == ()
