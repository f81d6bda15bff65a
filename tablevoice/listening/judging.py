"""Decides what a match is worth: act on it, confirm it, ask again, or take no notice.

Pure: a match, what each mistake costs and what the dialogue can do just now go in, a
verdict and its reasons come out. Knows no words but the kinds of the standing commands.
The table calls it for every utterance that was heard.

With probabilities the judge takes the choice of least expected cost. Let *p* be the
probability of the best meaning, *q* that of all others allowed now (*h* of it: pause and
stop), *r* = 1 - p - q that of "none of them". Each choice costs, on the average:

==========  =======================================================================
act         wrong (1 - p) + missed_pause h, where *wrong* is wrong_answer, or wrong_help for
            repeat and help; for pause and stop together it is wrong_pause (1 - h) +
            missed_answer (p + q - h), since a hold for nothing misses an answer too
confirm     confirming (p + q) + asking q + bothering r + missed_pause h
ask again   asking (p + q) + bothering r + missed_pause h
ignore      missed_answer (p + q - h) + missed_pause h
==========  =======================================================================

A person who called for a hold and is asked to say it again was missed: by then it is too
late. So pause and stop are acted on or not, and are acted on even where an answer is more
likely, if that is cheaper. Standing commands cannot be confirmed.

From this follow, where nothing but the best meaning and "none of them" is likely
(:func:`implied` computes them), with the default costs:

* an answer is acted on from (wrong_answer - bothering) / (wrong_answer - bothering +
  confirming) = 20/21 = 0.952; where all the doubt is another answer, from
  1 - confirming / (wrong_answer - asking) = 21/22 = 0.955;
* it is confirmed from bothering / (bothering + missed_answer - confirming) = 4/9 = 0.444,
  where it has more than confirming / asking = 1/2 of what p + q have together; the person is
  asked again from p + q = bothering / (bothering + missed_answer - asking) = 0.5;
* repeat and help are acted on from (wrong_help - bothering) / (wrong_help - bothering +
  asking) = 10/11 = 0.909 while a question is open, else from wrong_help / (wrong_help +
  missed_answer) = 0.8;
* pause and stop are acted on from wrong_pause / (wrong_pause + missed_pause) = 0.4.

Only the ratios of the costs count. Without probabilities (a recogniser that gives a text
and a certainty) the thresholds of the cell file decide instead.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Protocol

from tablevoice.model import Match, StandingKind, Verdict

HIGHEST_COST = 1000.0

HOLD_ABOVE = 0.40
"""Score from which pause and stop are acted on where only a certainty is known: acting
wrongly costs a moment, missing one may cost more."""

NOTICE_ABOVE = 0.20
"""Score below which a sound without probabilities is taken for none of the table's."""

CAUTIOUS_FIRST = (Verdict.IGNORE, Verdict.ASK_AGAIN, Verdict.CONFIRM, Verdict.ACT)
"""Of two choices that cost the same the earlier is taken."""

ALL_CHOICES = frozenset(Verdict)


@dataclass(frozen=True, slots=True)
class Costs:
    """What each mistake costs in this place, 0 to 1000; only their ratios count.

    ``wrong_answer``: acting on an answer nobody gave. ``wrong_help``: repeating or
    helping though nobody asked. ``wrong_pause``: holding though nobody asked.
    ``missed_pause``: not holding though somebody asked. ``missed_answer``: taking no notice
    of what was said to the table. ``asking``: having a person who did speak to the table say
    it again. ``confirming``: having them say yes. ``bothering``: speaking to somebody
    who did not speak to the table.
    """

    wrong_answer: float = 24.0
    wrong_help: float = 24.0
    wrong_pause: float = 8.0
    missed_pause: float = 12.0
    missed_answer: float = 6.0
    asking: float = 2.0
    confirming: float = 1.0
    bothering: float = 4.0

    def __post_init__(self) -> None:
        for name, cost in self.named().items():
            if not 0.0 <= cost <= HIGHEST_COST:
                raise ValueError(f"{name} must be 0 to {HIGHEST_COST:g}, not {cost!r}")

    def named(self) -> dict[str, float]:
        """Every cost by its name in the cell file."""
        return {one.name: float(getattr(self, one.name)) for one in fields(self)}


NO_LESS_THAN = (
    ("wrong_answer", ("asking", "confirming", "bothering")),
    ("wrong_help", ("asking", "confirming", "bothering")),
    ("missed_pause", ("bothering",)),
)
"""Orders of costs without which more certainty could make the judge less willing to act."""


def senseless(costs: Costs) -> list[tuple[str, str]]:
    """Pairs of costs (``a``, ``b``) where ``a`` must not be less than ``b`` but is."""
    named = costs.named()
    return [
        (more, less) for more, lesser in NO_LESS_THAN for less in lesser
        if named[more] < named[less]
    ]  # fmt: skip


class Thresholds(Protocol):
    """What the judge needs of a cell file's ``listening`` part.

    The scores (0 to 1) decide where there are no probabilities, the costs where there are.
    """

    @property
    def act_above(self) -> float: ...

    @property
    def confirm_above(self) -> float: ...

    @property
    def margin(self) -> float: ...

    @property
    def costs(self) -> Costs: ...


@dataclass(frozen=True, slots=True)
class JudgeOptions:
    """How to judge, for callers without a cell file; see :class:`Thresholds`.

    From ``act_above`` on an answer is acted on, from ``confirm_above`` on confirmed.
    """

    act_above: float = 0.75
    confirm_above: float = 0.45
    margin: float = 0.15
    costs: Costs = field(default_factory=Costs)


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with its reasons.

    ``match`` is the one judged: the given one, or that of a pause or stop which it is
    cheaper to act on. ``expected_costs`` holds the choices that were possible; it is empty
    where thresholds decided. ``on_less_evidence``: a hold was acted on with less than an
    answer would have needed.
    """

    verdict: Verdict
    match: Match
    expected_costs: Mapping[Verdict, float] = field(default_factory=dict)
    on_less_evidence: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """A cost that, moved past ``turns_at`` and nothing else changed, leads to ``verdict``.

    ``meaning`` is what would be acted on or confirmed then.
    """

    cost: str
    now: float
    turns_at: float
    verdict: Verdict
    meaning: str | None


@dataclass(frozen=True, slots=True)
class Implied:
    """The probabilities (0 to 1) from which a set of costs does something.

    For a best meaning against "none of them" alone, with a question open and nothing
    else likely; ``help_idle_from`` with none open. Above 1: never.
    """

    act_from: float
    confirm_from: float
    ask_from: float
    help_from: float
    help_idle_from: float
    hold_from: float


def judge(
    match: Match, thresholds: Thresholds = JudgeOptions(), *, during_speech: bool = False
) -> Verdict:
    """What to do about a match, where everything is possible; see :func:`decide`."""
    return decide(match, thresholds, during_speech=during_speech).verdict


def decide(
    match: Match,
    thresholds: Thresholds = JudgeOptions(),
    *,
    during_speech: bool = False,
    possible: Collection[Verdict] = ALL_CHOICES,
    stake: float = 1.0,
) -> Judged:
    """What to do about a match, and why.

    ``during_speech``: a voice of the table sounded at the same time; then only *pause* and
    *stop* may be acted on at once, and everything unclear is ignored rather than asked
    about (it may be the table itself). ``possible``: what the dialogue could do just now;
    without an open question nobody is asked again. ``stake`` (0 to 1) is how much of
    ``wrong_answer`` acting wrongly would cost here: less than 1 for the yes to something that
    was heard before.
    """
    if match.meaning is None:
        return Judged(Verdict.IGNORE, match)
    if not match.meanings:
        return _by_thresholds(match, thresholds, during_speech)
    judged = _by_costs(match, thresholds.costs, possible, stake)
    if during_speech and judged.match.meaning not in StandingKind.HOLDS:
        acting = judged.verdict is Verdict.ACT
        return replace(judged, verdict=Verdict.CONFIRM if acting else Verdict.IGNORE)
    return judged


# --- by cost --------------------------------------------------------------------


def expected_costs(
    match: Match,
    costs: Costs,
    possible: Collection[Verdict] = ALL_CHOICES,
    stake: float = 1.0,
) -> dict[Verdict, float]:
    """What each possible choice about this match costs on the average."""
    p = match.meanings[match.meaning] if match.meaning is not None else 0.0
    said = sum(match.meanings.values())
    held = _held(match)
    nobody = max(0.0, 1.0 - said)
    missed = costs.missed_pause * held
    asked = costs.asking * said + costs.bothering * nobody + missed
    others = said - p
    if match.meaning in StandingKind.HOLDS:
        act = costs.wrong_pause * (1.0 - held) + costs.missed_answer * (said - held)
    elif match.meaning in (StandingKind.REPEAT, StandingKind.HELP):
        act = costs.wrong_help * (1.0 - p) + missed
    else:
        act = costs.wrong_answer * stake * (1.0 - p) + missed
    confirm = costs.confirming * said + costs.asking * others + costs.bothering * nobody + missed
    found = {Verdict.ACT: act}
    if Verdict.CONFIRM in possible and match.meaning not in StandingKind.ALL:
        found[Verdict.CONFIRM] = confirm
    if Verdict.ASK_AGAIN in possible:
        found[Verdict.ASK_AGAIN] = asked
    found[Verdict.IGNORE] = costs.missed_answer * (said - held) + missed
    return found


def _by_costs(
    match: Match, costs: Costs, possible: Collection[Verdict], stake: float
) -> Judged:
    found = expected_costs(match, costs, possible, stake)
    verdict = _cheapest(found)
    hold = _hold_in(match)
    if hold is not None and match.meaning not in StandingKind.HOLDS:
        of_hold = expected_costs(hold, costs, possible, stake)
        if of_hold[Verdict.ACT] < found[verdict]:
            match, found, verdict = hold, of_hold, Verdict.ACT
    held = match.meaning in StandingKind.HOLDS and verdict is Verdict.ACT
    less = held and _held(match) < implied(costs).act_from
    return Judged(verdict, match, MappingProxyType(found), on_less_evidence=less)


def _cheapest(found: Mapping[Verdict, float]) -> Verdict:
    return min(found, key=lambda choice: (found[choice], CAUTIOUS_FIRST.index(choice)))


def _held(match: Match) -> float:
    return sum(match.meanings.get(kind, 0.0) for kind in StandingKind.HOLDS)


def _hold_in(match: Match) -> Match | None:
    """The same sound taken for the likelier of pause and stop."""
    kind = max(StandingKind.HOLDS, key=lambda one: match.meanings.get(one, 0.0))
    p = match.meanings.get(kind, 0.0)
    if p <= 0.0 or match.meaning is None:
        return None
    phrase = match.phrases.get(kind, kind)
    # Another meaning was likelier, so there is no margin.
    return replace(
        match, meaning=kind, phrase=phrase, score=p, margin=0.0, runner_up=match.meaning
    )


def implied(costs: Costs) -> Implied:
    """The thresholds that costs amount to; the module's docstring derives them."""
    w, b = costs.wrong_answer, costs.bothering
    ignoring = costs.missed_answer
    # Each choice costs x p + y (1 - p); act (0, wrong) pays once it is the least.
    ask, confirm, ignore = (costs.asking, b), (costs.confirming, b), (ignoring, 0.0)
    return Implied(
        act_from=max(_crossing(w, other) for other in (confirm, ask, ignore)),
        # As dear as having it said again, nothing is ever confirmed.
        confirm_from=(
            _paying(costs.confirming, b, ignoring)
            if costs.confirming < costs.asking
            else float("inf")
        ),
        ask_from=_paying(costs.asking, b, ignoring),
        help_from=max(_crossing(costs.wrong_help, other) for other in (ask, ignore)),
        help_idle_from=_crossing(costs.wrong_help, ignore),
        hold_from=_crossing(costs.wrong_pause, (costs.missed_pause, 0.0)),
    )


def _crossing(wrong: float, other: tuple[float, float]) -> float:
    """The p from which ``wrong (1 - p)`` is less than ``x p + y (1 - p)``."""
    x, y = other
    gap = wrong - y
    if gap <= 0.0:
        return 0.0
    return gap / (gap + x)


def _paying(spoken: float, bothering: float, ignoring: float) -> float:
    """The p from which speaking to somebody costs less than ignoring them."""
    gap = ignoring - spoken
    if gap <= 0.0:
        return float("inf")
    return bothering / (bothering + gap)


def what_would_change(
    match: Match,
    costs: Costs,
    *,
    during_speech: bool = False,
    possible: Collection[Verdict] = ALL_CHOICES,
    stake: float = 1.0,
) -> tuple[Change, ...]:
    """For each single cost, where it would turn the verdict, nearest first.

    Expected costs are linear in each cost, so the turning points are exact. A cost that
    alone cannot turn it is not listed, nor is one that would have to leave 0 to 1000 or
    make the costs :func:`senseless`.
    """
    options = JudgeOptions(costs=costs)

    def verdict_with(name: str, cost: float) -> tuple[Verdict, str | None]:
        changed = replace(options, costs=replace(costs, **{name: cost}))
        judged = decide(match, changed, during_speech=during_speech, possible=possible, stake=stake)
        return judged.verdict, judged.match.meaning

    accepted = set(senseless(costs))
    changes: list[Change] = []
    for name, now in costs.named().items():
        before = verdict_with(name, now)
        turns = sorted(
            _turns(match, costs, name, possible, stake), key=lambda at: abs(at - now)
        )
        for turns_at in turns:
            step = max(1e-6, 1e-6 * turns_at)
            beyond = turns_at + step if turns_at >= now else turns_at - step
            if not 0.0 <= beyond <= HIGHEST_COST:
                continue
            if set(senseless(replace(costs, **{name: beyond}))) - accepted:
                continue
            after = verdict_with(name, beyond)
            if after != before:
                changes.append(Change(name, now, turns_at, *after))
                break
    return tuple(sorted(changes, key=_how_far))


def _turns(
    match: Match, costs: Costs, name: str, possible: Collection[Verdict], stake: float
) -> list[float]:
    """Every value of one cost at which two choices cost the same."""
    hold = _hold_in(match)

    def lines_at(cost: float) -> list[float]:
        changed = replace(costs, **{name: cost})
        found = list(expected_costs(match, changed, possible, stake).values())
        if hold is not None:
            found.append(expected_costs(hold, changed, possible, stake)[Verdict.ACT])
        return found

    at_zero, at_one = lines_at(0.0), lines_at(1.0)
    slopes = [one - zero for zero, one in zip(at_zero, at_one, strict=True)]
    turns = []
    for first in range(len(slopes)):
        for second in range(first):
            steeper = slopes[first] - slopes[second]
            if abs(steeper) > 1e-12:
                turns.append((at_zero[second] - at_zero[first]) / steeper)
    return turns


def _how_far(change: Change) -> float:
    """How many times larger or smaller the cost would have to be."""
    low, high = sorted((change.now, change.turns_at))
    return high / low if low > 0.0 else float("inf")


# --- by threshold ---------------------------------------------------------------


def _by_thresholds(match: Match, thresholds: Thresholds, during_speech: bool) -> Judged:
    score = match.score
    if score < min(NOTICE_ABOVE, thresholds.confirm_above):
        return Judged(Verdict.IGNORE, match)
    certain = score >= thresholds.act_above and match.margin >= thresholds.margin
    if match.meaning in StandingKind.HOLDS:
        rival_holds = match.runner_up in StandingKind.HOLDS
        if score >= HOLD_ABOVE and (rival_holds or match.margin >= thresholds.margin / 2):
            return Judged(Verdict.ACT, match, on_less_evidence=not certain)
    elif certain:
        return Judged(Verdict.CONFIRM if during_speech else Verdict.ACT, match)
    if during_speech:
        return Judged(Verdict.IGNORE, match)
    confirm = score >= thresholds.confirm_above
    return Judged(Verdict.CONFIRM if confirm else Verdict.ASK_AGAIN, match)
