"""Counts what became of everything, by condition and by speaker: the contents of results.json.

Pure: results of cases in, plain frozen values out. What each value means stands in
``RESULTS.md`` beside this module and in the JSON Schema.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from tablevoice.evaluation.costing import Memory
from tablevoice.evaluation.curves import (
    DetPoint,
    Reliability,
    detection_curve,
    equal_error,
    reliability,
)
from tablevoice.evaluation.intervals import HourlyRate, Share, hourly, quantile, wilson
from tablevoice.evaluation.manifest import Recording
from tablevoice.evaluation.outcomes import CaseResult, Outcome, OutsideOutcome, WordResult

FORMAT: Final = "tablevoice evaluation"
VERSION: Final = 1
AS_RECORDED = "as recorded"
CONTINUOUS_FROM_S = 30.0
"""An outside recording from this length on is counted by the hour, a shorter one as a clip."""

FAMILY_COLUMN = "family"
NOTHING = "(nothing)"
UNSURE = "(asked again)"
"""Columns of the confusion matrix that are no meaning."""

CURVE_POINTS = 400


@dataclass(frozen=True, slots=True)
class Latency:
    """From the end of a word to the verdict, in milliseconds, computing included.

    ``p50_ms`` and ``p95_ms`` from the word's end (P.56 activity, or as written down);
    ``peak_`` from the last moment within 20 dB of the word's loudest.
    """

    count: int
    p50_ms: float | None
    p95_ms: float | None
    peak_p50_ms: float | None
    peak_p95_ms: float | None


@dataclass(frozen=True, slots=True)
class Words:
    """What became of the words that were said to the table; the first six add up to all."""

    right: Share
    wrong: Share
    confirmed: Share
    confirmed_wrong: Share
    asked_again: Share
    missed: Share
    right_or_confirmed: Share
    latency: Latency
    hold_latency: Latency


@dataclass(frozen=True, slots=True)
class Outside:
    """What became of what was not said to the table: short clips, and hours of the rest."""

    false_act: Share
    bothered: Share
    quiet: Share
    acts_an_hour: HourlyRate
    bothers_an_hour: HourlyRate


@dataclass(frozen=True, slots=True)
class Group:
    """Some of the trials of one set-up. ``name`` tells which."""

    name: str
    snr: str
    noise: str
    condition: str
    words: Words
    outside: Outside
    worst: bool = False


@dataclass(frozen=True, slots=True)
class Confusion:
    """``counts[row][column]``: said ``said[row]``, acted on (or to be confirmed) as
    ``taken[column]``, of which the last two are "asked again" and "nothing"."""

    said: tuple[str, ...]
    taken: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Detection:
    """The detection-error curve of one noise and ratio, from words and short outside clips."""

    name: str
    words: int
    outside_clips: int
    equal_error: float | None
    points: tuple[DetPoint, ...]


@dataclass(frozen=True, slots=True)
class Cost:
    """``times_real_time``: processor time over duration, on one core. Memory in MB (10^6)."""

    audio_s: float
    computing_s: float
    times_real_time: float | None
    peak_resident_mb: float | None = None
    before_opening_mb: float | None = None


@dataclass(frozen=True, slots=True)
class SetupResults:
    """Everything about one set-up."""

    setup: str
    overall: Group
    by_condition: tuple[Group, ...]
    by_speaker: tuple[Group, ...]
    by_family: tuple[Group, ...]
    by_word: tuple[Group, ...]
    confusion: Confusion
    detection: tuple[Detection, ...]
    reliability: Reliability
    cost: Cost


Kind = Callable[[CaseResult], tuple[str, str, str, str]]
"""Names the group of a result: name, ratio, noise, condition."""


def count_setup(
    setup: str, results: Sequence[CaseResult], recordings: Sequence[Recording], holds: Sequence[str]
) -> SetupResults:
    """Count the results of one set-up. ``holds``: the meanings that ask for a hold."""
    groups = _Groups(results, recordings, holds)

    def by_condition(one: CaseResult) -> tuple[str, str, str, str]:
        snr, noise = snr_of(one), noise_of(one)
        condition = recordings[one.case.recording].condition
        mixed = f"{noise} noise {snr}" if snr else AS_RECORDED
        return " · ".join(filter(None, (condition, mixed))), snr, noise, condition

    def by_speaker(one: CaseResult) -> tuple[str, str, str, str]:
        return recordings[one.case.recording].speaker, "", "", ""

    def by_family(one: CaseResult) -> tuple[str, str, str, str]:
        return recordings[one.case.recording].column(FAMILY_COLUMN), "", "", ""

    words = [word for one in results for word in one.words]
    audio_s = sum(one.audio_s for one in results)
    computing_s = sum(one.computing_s for one in results)
    return SetupResults(
        setup,
        groups.of_all(),
        groups.by(by_condition),
        _worst_first(groups.by(by_speaker)),
        _worst_first(groups.by(by_family)) if _has_families(recordings) else (),
        _worst_first(groups.by_meaning()),
        _confusion(words),
        _detection(results, recordings),
        reliability([verdict for one in results for verdict in one.verdicts]),
        Cost(audio_s, computing_s, computing_s / audio_s if audio_s else None),
    )


def snr_of(one: CaseResult) -> str:
    """``"10 dB"``; empty for a recording as it is."""
    return "" if one.case.snr_db is None else f"{one.case.snr_db:g} dB"


def noise_of(one: CaseResult) -> str:
    """The name of the noise mixed in; empty for none."""
    return "" if one.case.noise is None else one.case.noise.name


def _has_families(recordings: Sequence[Recording]) -> bool:
    return any(recording.column(FAMILY_COLUMN) for recording in recordings)


class _Groups:
    def __init__(
        self, results: Sequence[CaseResult], recordings: Sequence[Recording], holds: Sequence[str]
    ) -> None:
        self._results, self._recordings, self._holds = results, recordings, holds

    def of_all(self) -> Group:
        return self._group(("all", "", "", ""), self._results)

    def by(self, kind: Kind) -> tuple[Group, ...]:
        sorted_in: dict[tuple[str, str, str, str], list[CaseResult]] = {}
        for one in self._results:
            sorted_in.setdefault(kind(one), []).append(one)
        return tuple(self._group(names, found) for names, found in sorted_in.items())

    def by_meaning(self) -> tuple[Group, ...]:
        sorted_in: dict[str, list[WordResult]] = {}
        for one in self._results:
            for word in one.words:
                sorted_in.setdefault(word.word.meaning, []).append(word)
        nothing = self._outside([])
        return tuple(
            Group(name, "", "", "", self._words(found), nothing)
            for name, found in sorted(sorted_in.items())
        )

    def _group(self, names: tuple[str, str, str, str], results: Sequence[CaseResult]) -> Group:
        words = [word for one in results for word in one.words]
        return Group(*names, self._words(words), self._outside(results))

    def _words(self, words: Sequence[WordResult]) -> Words:
        found = Counter(word.outcome for word in words)
        shares = {outcome.value: wilson(found[outcome], len(words)) for outcome in Outcome}
        heard = [word for word in words if word.outcome in (Outcome.RIGHT, Outcome.CONFIRMED)]
        holds = [word for word in heard if word.word.meaning in self._holds]
        settled = found[Outcome.RIGHT] + found[Outcome.CONFIRMED]
        shares["right_or_confirmed"] = wilson(settled, len(words))
        return Words(**shares, latency=_latency(heard), hold_latency=_latency(holds))

    def _outside(self, results: Sequence[CaseResult]) -> Outside:
        clips, hours, acts, bothers = [], 0.0, 0, 0
        for one in results:
            if one.outside is None:
                continue
            if one.words or self._recordings[one.case.recording].duration_s >= CONTINUOUS_FROM_S:
                hours += one.outside.counted_s / 3600.0
                acts += len(one.outside.acts)
                bothers += len(one.outside.bothers)
            else:
                clips.append(one.outside)
        found = Counter(clip.outcome for clip in clips)
        shares = {outcome.value: wilson(found[outcome], len(clips)) for outcome in OutsideOutcome}
        return Outside(
            **shares, acts_an_hour=hourly(acts, hours), bothers_an_hour=hourly(bothers, hours)
        )


def _latency(words: Sequence[WordResult]) -> Latency:
    delays = [1000.0 * word.delay_s for word in words if word.delay_s is not None]
    peak_delays = [1000.0 * word.peak_delay_s for word in words if word.peak_delay_s is not None]
    return Latency(
        len(delays), quantile(delays, 0.5), quantile(delays, 0.95),
        quantile(peak_delays, 0.5), quantile(peak_delays, 0.95),
    )  # fmt: skip


def _worst_first(groups: Iterable[Group]) -> tuple[Group, ...]:
    """By the share of right, then of wrong; the first one with words is marked."""

    def badness(group: Group) -> tuple[bool, float, float, str]:
        right, wrong = group.words.right.share, group.words.wrong.share
        return (right is None, right or 0.0, -(wrong or 0.0), group.name)

    ordered = sorted(groups, key=badness)
    marked = len(ordered) > 1 and ordered[0].words.right.of > 0
    return tuple(replace(one, worst=marked and not at) for at, one in enumerate(ordered))


def _confusion(words: Sequence[WordResult]) -> Confusion:
    said = sorted({word.word.meaning for word in words})
    others = {word.taken_for for word in words if word.taken_for is not None}
    taken = (*sorted({*said, *others}), UNSURE, NOTHING)
    counts = Counter((word.word.meaning, _taken(word)) for word in words)
    return Confusion(
        tuple(said), taken, tuple(tuple(counts[row, column] for column in taken) for row in said)
    )


def _taken(word: WordResult) -> str:
    if word.outcome is Outcome.ASKED_AGAIN:
        return UNSURE
    return NOTHING if word.taken_for is None else word.taken_for


def _detection(
    results: Sequence[CaseResult], recordings: Sequence[Recording]
) -> tuple[Detection, ...]:
    """One curve for each noise and ratio: mixing them would hide what noise does."""
    mixes: dict[str, list[CaseResult]] = {}
    for one in results:
        name = " · ".join(part for part in (noise_of(one), snr_of(one)) if part) or AS_RECORDED
        mixes.setdefault(name, []).append(one)
    found = []
    for name, inside in mixes.items():
        said = [word.probability for one in inside for word in one.words]
        other = [
            one.outside.probability
            for one in inside
            if one.outside is not None and not one.words
            and recordings[one.case.recording].duration_s < CONTINUOUS_FROM_S
        ]  # fmt: skip
        curve = detection_curve(said, other)
        if curve:
            found.append(
                Detection(name, len(said), len(other), equal_error(curve), _thinned(curve))
            )
    return tuple(found)


def _thinned(curve: tuple[DetPoint, ...]) -> tuple[DetPoint, ...]:
    step = -(-len(curve) // CURVE_POINTS)
    return (*curve[:-1:step], curve[-1])


def with_memory(results: SetupResults, memory: Memory) -> SetupResults:
    """The same results with what was measured of the memory."""
    cost = replace(
        results.cost, peak_resident_mb=memory.peak_mb, before_opening_mb=memory.before_mb
    )
    return replace(results, cost=cost)
