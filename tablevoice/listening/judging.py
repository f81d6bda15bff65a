"""Decides what a match is worth: act on it, confirm it, ask again, or take no notice.

Pure: a match, the thresholds and, when there is one, a second opinion about the sound go
in, a verdict comes out. Knows no words but the kinds of the standing commands. The table
calls it for every utterance that was heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from tablevoice.model import Hypothesis, Match, Samples, StandingKind, Verdict


class Thresholds(Protocol):
    """What the judge needs of a cell file's ``listening`` part (scores, 0 to 1)."""

    @property
    def act_above(self) -> float: ...

    @property
    def confirm_above(self) -> float: ...

    @property
    def margin(self) -> float: ...


@dataclass(frozen=True, slots=True)
class JudgeOptions:
    """Thresholds on the score and the margin of a match.

    From ``act_above`` on an answer is acted on, from ``confirm_above`` on confirmed, from
    ``notice_above`` on the person is asked again; what scores less is an outside sound and
    nobody is bothered. ``hold_above`` does for *pause* and *stop*, where acting wrongly
    costs a moment and missing one may cost more.
    """

    act_above: float = 0.75
    confirm_above: float = 0.45
    margin: float = 0.15
    hold_above: float = 0.40
    notice_above: float = 0.20


class SecondOpinion(Protocol):
    """Another listener that hears only the sound: the seam for an acoustic word verifier."""

    def certainty(self, samples: Samples, hypothesis: Hypothesis) -> float:
        """How far ``samples`` (16 kHz, ``(n,)``) bear out the hypothesis, 0 to 1."""


def judge(
    match: Match,
    thresholds: Thresholds = JudgeOptions(),
    *,
    during_speech: bool = False,
    second_opinion: float | None = None,
) -> Verdict:
    """What to do about a match.

    ``during_speech``: a voice of the table sounded at the same time; then only *pause* and
    *stop* may be acted on at once, and everything unclear is ignored rather than asked
    about (it may be the table itself). ``second_opinion``: the certainty of another
    listener; both must agree, so the lower of the two counts.
    """
    hold_above = float(getattr(thresholds, "hold_above", JudgeOptions().hold_above))
    notice_above = float(getattr(thresholds, "notice_above", JudgeOptions().notice_above))
    score = match.score if second_opinion is None else min(match.score, second_opinion)
    if match.meaning is None or score < min(notice_above, thresholds.confirm_above):
        return Verdict.IGNORE
    if match.meaning in StandingKind.HOLDS:
        rival_holds = match.runner_up in StandingKind.HOLDS
        if score >= hold_above and (rival_holds or match.margin >= thresholds.margin / 2):
            return Verdict.ACT
    elif score >= thresholds.act_above and match.margin >= thresholds.margin:
        return Verdict.CONFIRM if during_speech else Verdict.ACT
    if during_speech:
        return Verdict.IGNORE
    return Verdict.CONFIRM if score >= thresholds.confirm_above else Verdict.ASK_AGAIN
