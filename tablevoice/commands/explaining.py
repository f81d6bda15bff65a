"""Explains a verdict afterwards, and takes down that one was wrong.

Reads the history of a cell; decides nothing anew but what other costs would have led to.
Called by ``tablevoice why`` and ``tablevoice correct``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from tablevoice.cell import Cell
from tablevoice.errors import TablevoiceError
from tablevoice.heard_rows import PastUtterance, as_plain, why_not_learnt
from tablevoice.history import History
from tablevoice.listening.judging import Change, Costs, JudgeOptions, decide, what_would_change
from tablevoice.listening.matching import match
from tablevoice.model import Hypothesis, Match, StandingKind, Verdict
from tablevoice.nearest import nearest
from tablevoice.phrasebook.phrases import phrase_said
from tablevoice.wording import normalise

DONE = {
    "act": "acted on",
    "confirm": "to be confirmed",
    "ask_again": "asked again",
    "ignore": "ignored",
}
DOING = {"act": "acting", "confirm": "confirming", "ask_again": "asking again",
         "ignore": "ignoring"}  # fmt: skip
MOST_SCORES = 4


def past_utterance(cell: Cell, utterance: str) -> PastUtterance:
    """What was heard under that number. Raises TablevoiceError where there is nothing."""
    with _history(cell) as history:
        past = history.utterance(utterance)
        return _there(past, utterance, history)


def last_heard(cell: Cell, how_many: int) -> tuple[PastUtterance, ...]:
    """The last utterances, oldest first. Raises TablevoiceError without a history."""
    with _history(cell) as history:
        return history.last_heard(how_many)


def correct(cell: Cell, utterance: str, said: str | None, nothing: bool) -> str:
    """Mark a verdict as wrong; gives one sentence on what that is good for.

    Raises TablevoiceError for an utterance or a phrase that is not known.
    """
    phrase = phrase_said(cell.phrasebook, said, nothing=nothing)
    with _history(cell) as history:
        past = _there(history.correct(utterance, phrase), utterance, history)
    truth = {None: "wrong", "": "nothing said to the table"}.get(phrase, f"“{phrase}”")
    noted = f"{past.utterance} ({_what(past)}, {DONE[past.verdict]}) is noted as {truth}."
    learns = f"The next tuning learns from its sound, kept for {cell.keep_audio_days} days in all."
    return f"{noted} {why_not_learnt(past) or learns}"


def in_a_line(past: PastUtterance) -> str:
    """One utterance in a list."""
    marks = ", corrected" if past.corrected else ""
    return (
        f"{past.utterance:>8}  {past.utc[:19].replace('T', ' ')}  {_what(past):<14}"
        f" {past.certainty:4.0%}  {DONE[past.verdict]}{marks}"
    )


def explain(past: PastUtterance, costs_now: Costs) -> list[str]:
    """Why the verdict came out as it did, in plain sentences."""
    return [
        *_heard(past), *_probabilities(past), *_choices(past), *_otherwise(past, costs_now),
        *_corrected(past),
    ]  # fmt: skip


def explained(past: PastUtterance, costs_now: Costs) -> dict[str, Any]:
    """The same as plain values, with everything that is known of the utterance."""
    changes = [
        {"cost": one.cost, "now": one.now, "turns_at": one.turns_at,
         "verdict": one.verdict.value, "meaning": one.meaning}
        for one in _changes(past)
    ]  # fmt: skip
    none = 1.0 - sum(past.probabilities.values()) if past.probabilities else None
    return {
        **as_plain(past),
        "none_of_them": none if none is None else max(0.0, none),
        "changes": changes,
        "explanation": explain(past, costs_now),
    }


# --- sentences ------------------------------------------------------------------


def _heard(past: PastUtterance) -> Iterator[str]:
    level = "" if past.level_dbfs is None else f" at {past.level_dbfs:.0f} dBFS"
    over = ", while a voice of the table sounded" if past.during_speech else ""
    yield (
        f"Utterance {past.utterance}, {past.utc}: {past.end_s - past.start_s:.2f} s of speech"
        f"{level}{over}; {DONE[past.verdict]}."
    )
    text = f"“{past.text}”" if past.text else "nothing"
    scores = ", ".join(f"{name} {score:.2f}" for name, score in sorted(past.evidence.items()))
    yield f"The grammar recogniser heard {text}{f' ({scores})' if scores else ''}."
    if past.second_opinion:
        best = sorted(past.second_opinion.items(), key=lambda one: -one[1])[:MOST_SCORES]
        told = ", ".join(f"{name or 'none of them'} {score:.1f}" for name, score in best)
        yield f"The second opinion's best scores: {told}."


def _probabilities(past: PastUtterance) -> Iterator[str]:
    reason = past.reason
    if reason.meanings:
        best = sorted(reason.meanings.items(), key=lambda one: -one[1])
        told = [f"{name} {p:.1%}" for name, p in best if p >= 0.0005]
        nobody = max(0.0, 1.0 - sum(reason.meanings.values()))
        yield f"Probabilities of what could be said then: {', '.join(told) or 'none'};" \
              f" none of them {nobody:.1%}."  # fmt: skip
    if reason.room_doubt_nats > 0.0:
        yield (
            "Other sounds had been taken for speech so often just before that “none of them”"
            f" counts {math.exp(reason.room_doubt_nats):.1f} times as much in these."
        )
    others = sorted(reason.not_allowed.items(), key=lambda one: -one[1])
    told = [f"“{name}” {p:.1%}" for name, p in others[:MOST_SCORES] if p >= 0.01]
    if told:
        yield f"Likely, but nothing that could be said at that moment: {', '.join(told)}."


def _choices(past: PastUtterance) -> Iterator[str]:
    reason = past.reason
    if reason.expected:
        costs = sorted(reason.expected.items(), key=lambda one: one[1])
        told = ", ".join(f"{DOING[choice]} {cost:.2f}" for choice, cost in costs)
        yield f"On the average each choice would have cost: {told}."
        missing = [DOING[one.value] for one in Verdict if one.value not in reason.expected]
        if missing:
            holds = past.meaning in StandingKind.ALL and missing == [DOING["confirm"]]
            why = "standing commands are not" if holds else "the table could not do so then"
            yield f"Not among the choices: {', '.join(missing)} ({why})."
    elif reason.thresholds and reason.meaning is not None:
        told = ", ".join(f"{name} {value:g}" for name, value in reason.thresholds.items())
        yield (
            f"Without probabilities the thresholds decided: score {past.certainty:.2f}, margin"
            f" {past.margin:.2f} ({told})."
        )
    if reason.text:
        yield reason.text


def _otherwise(past: PastUtterance, costs_now: Costs) -> Iterator[str]:
    reason = past.reason
    if reason.thresholds and reason.meaning is not None:
        yield "To have it judged otherwise, change act_above, confirm_above or margin."
        return
    if not reason.expected:
        return
    changes = _changes(past)
    if changes:
        yield "One of these in listening.costs would have turned it:"
    for change in changes:
        way = "above" if change.turns_at >= change.now else "below"
        what = DOING[change.verdict.value]
        on = f" on {change.meaning}" if change.verdict is Verdict.ACT else ""
        yield (
            f"  {change.cost} {way} {change.turns_at:.3g} (it was {change.now:g}): {what}{on}"
        )
    if not changes:
        yield "No single cost would have turned it."
    if costs_now.named() != dict(reason.costs):
        judged = decide(
            _match(past), JudgeOptions(costs=costs_now), during_speech=past.during_speech,
            possible=_possible(past), stake=reason.stake,
        )  # fmt: skip
        yield f"With the costs in the cell file today it would be {DONE[judged.verdict.value]}."


def _corrected(past: PastUtterance) -> Iterator[str]:
    if not past.corrected:
        return
    truth = {None: "not told what was said", "": "nothing was said to the table"}.get(
        past.said, f"“{past.said}” was said"
    )
    yield f"A person marked this as wrong: {truth}. {why_not_learnt(past)}".rstrip()


# --- the match again --------------------------------------------------------------


def _match(past: PastUtterance) -> Match:
    reason = past.reason
    phrases: Mapping[str, str] = {reason.phrases.get(one, one): one for one in reason.meanings}
    shares = {normalise(phrase): reason.meanings[one] for phrase, one in phrases.items()}
    return match(Hypothesis("", 0.0, False), phrases, shares)


def _possible(past: PastUtterance) -> frozenset[Verdict]:
    return frozenset(Verdict(name) for name in past.reason.possible)


def _changes(past: PastUtterance) -> tuple[Change, ...]:
    reason = past.reason
    if not reason.expected:
        return ()
    return what_would_change(
        _match(past), Costs(**reason.costs), during_speech=past.during_speech,
        possible=_possible(past), stake=reason.stake,
    )  # fmt: skip


def _what(past: PastUtterance) -> str:
    return past.meaning or past.text or "something"


@contextmanager
def _history(cell: Cell) -> Iterator[History]:
    if not cell.history_file.exists():
        raise TablevoiceError(
            "This table has no history yet.", where=str(cell.history_file),
            do="Run it first, or give the cell file of the table that ran with --cell.",
        )  # fmt: skip
    with History(cell.history_file, keep_audio_days=cell.keep_audio_days) as history:
        yield history


def _there(past: PastUtterance | None, utterance: str, history: History) -> PastUtterance:
    if past is not None:
        return past
    last = [one.utterance for one in history.last_heard()]
    close = nearest(utterance, last) or (last[-1] if last else None)
    raise TablevoiceError(
        f"The history has no utterance {utterance!r}.", where=str(history.path),
        do="`tablevoice why` without a number lists the last ones"
        + (f", such as {close}." if close else "; there is none so far."),
    )  # fmt: skip
