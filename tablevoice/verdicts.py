"""What the table makes of an utterance: match, verdict, and the reason in plain words.

Puts matching and the judge together for one moment of the dialogue, and writes the report
of it for the link. Pure; called by the table for everything it hears.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from tablevoice.actions import Judgement, Send
from tablevoice.dialogue.terms import CONFIRM_NO, CONFIRM_YES, Phase, State
from tablevoice.links.messages import HeardReported
from tablevoice.listening.judging import Judged, Thresholds, decide, implied
from tablevoice.listening.matching import match
from tablevoice.model import Heard, Match, Reason, StandingKind, Verdict
from tablevoice.wording import normalise

CONFIRMATION_STAKE = 0.5
"""A yes (or no) is about an answer that was heard before, so a wrong one does harm only
where that was wrong too: it has half of ``wrong_answer`` at stake."""

MOST_PROBABILITIES = 4
"""So many phrases are named in the report; the history keeps all."""


@dataclass(frozen=True, slots=True)
class _Moment:
    """What the dialogue could do with an utterance just now."""

    possible: frozenset[Verdict]
    stake: float


def judge_heard(
    heard: Heard, state: State, phrases: dict[str, str], thresholds: Thresholds, utterance: str
) -> Judgement:
    """Match and judge one utterance. ``phrases`` are those allowed now, with their meanings."""
    found = match(heard.hypothesis, phrases, heard.probabilities)
    moment = _moment(state, found)
    judged = decide(
        found, thresholds, during_speech=heard.during_speech,
        possible=moment.possible, stake=moment.stake,
    )  # fmt: skip
    without_voice = decide(found, thresholds, possible=moment.possible, stake=moment.stake)
    turned = without_voice.verdict is not judged.verdict
    allowed = {normalise(phrase) for phrase in phrases}
    reason = replace(
        _reason(judged, thresholds, moment, turned_by_voice=turned),
        not_allowed={name: p for name, p in heard.probabilities.items() if name not in allowed},
        room_doubt_nats=round(heard.room_doubt_nats, 3),
    )
    return Judgement(heard, judged.match, judged.verdict, utterance, reason)


def report(judgement: Judgement, now_s: float) -> Send:
    """The message for the link, with the judgement in full for the record."""
    heard, found = judgement.heard, judgement.match
    top = sorted(heard.probabilities.items(), key=lambda one: (-one[1], one[0]))
    message = HeardReported(
        at_s=now_s,
        text=heard.hypothesis.text,
        meaning=found.meaning,
        certainty=min(1.0, max(0.0, found.score)),
        verdict=judgement.verdict.value,
        start_s=heard.start_s,
        end_s=heard.end_s,
        utterance=judgement.utterance,
        probabilities={
            phrase: round(min(1.0, max(0.0, p)), 4)
            for phrase, p in top[:MOST_PROBABILITIES] if p >= 0.0001
        },
        reason=judgement.reason.text,
        on_less_evidence=judgement.reason.on_less_evidence,
    )  # fmt: skip
    return Send(message, judgement)


def _moment(state: State, found: Match) -> _Moment:
    possible = {Verdict.ACT, Verdict.IGNORE}
    asked = state.open
    # A person is asked again, or to confirm, only while the table listens for an answer.
    if asked is not None and state.phase in (Phase.LISTENING, Phase.CONFIRMING):
        possible.add(Verdict.ASK_AGAIN)
        if found.meaning in asked.question.answers and asked.question.confirm is not None:
            possible.add(Verdict.CONFIRM)
    reply = found.meaning in (CONFIRM_YES, CONFIRM_NO)
    return _Moment(frozenset(possible), CONFIRMATION_STAKE if reply else 1.0)


# --- in words -------------------------------------------------------------------


def _reason(
    judged: Judged, thresholds: Thresholds, moment: _Moment, *, turned_by_voice: bool
) -> Reason:
    found = judged.match
    by_cost = bool(judged.expected_costs)
    return Reason(
        text=_sentence(judged, thresholds, turned_by_voice),
        meaning=found.meaning,
        meanings=dict(found.meanings),
        phrases=dict(found.phrases),
        costs=thresholds.costs.named() if by_cost else {},
        expected={choice.value: cost for choice, cost in judged.expected_costs.items()},
        thresholds={} if by_cost else {
            "act_above": thresholds.act_above,
            "confirm_above": thresholds.confirm_above,
            "margin": thresholds.margin,
        },
        possible=_names(moment.possible),
        stake=moment.stake,
        on_less_evidence=judged.on_less_evidence,
    )  # fmt: skip


def _names(choices: Collection[Verdict]) -> tuple[str, ...]:
    return tuple(choice.value for choice in Verdict if choice in choices)


def _sentence(judged: Judged, thresholds: Thresholds, turned_by_voice: bool) -> str:
    found, verdict = judged.match, judged.verdict
    if found.meaning is None:
        return "Nothing that may be said now was likely."
    if judged.on_less_evidence:
        needs = implied(thresholds.costs).act_from if found.meanings else thresholds.act_above
        held = sum(found.meanings.get(kind, 0.0) for kind in StandingKind.HOLDS) or found.score
        return (
            f"A hold acts on less evidence: {held:.0%}, where an answer needs {needs:.0%};"
            " missing one would cost more than holding for nothing."
        )
    if turned_by_voice:
        return "A voice of the table sounded meanwhile: only pause and stop act at once then."
    if judged.expected_costs:
        cost = judged.expected_costs[verdict]
        rest = [one for choice, one in judged.expected_costs.items() if choice is not verdict]
        return f"The least expected cost: {cost:.2f}, the next choice {min(rest):.2f}."
    match verdict:
        case Verdict.ACT:
            return f"The score of {found.score:.0%} and its margin suffice."
        case Verdict.CONFIRM:
            return f"The score of {found.score:.0%} or its margin do not suffice to act."
        case _:
            return f"The score of {found.score:.0%} is too low."
