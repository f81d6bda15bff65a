"""Lets the ear and the judge of the live table hear a case, and writes down what they decide.

Knows how a table listens, not what was right: that is told by the outcomes. One ear is one
set-up; it forgets everything between two cases, so their order changes nothing.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tablevoice.cell import Cell
from tablevoice.evaluation.phrases import Phrases
from tablevoice.evaluation.stimulus import PlacedWord, Stimulus
from tablevoice.listening.ear import Ear
from tablevoice.listening.judging import Judged, decide
from tablevoice.listening.matching import match
from tablevoice.listening.second_opinion import Opinions
from tablevoice.model import LISTENING_RATE_HZ, Heard, Verdict

BLOCK_S = 0.02
"""As the live table's microphone hands them on."""

LEAST_KEPT = 0.0005
"""Probabilities below it are left out of the file."""

_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Decision:
    """What was decided about one utterance. Times in seconds of the stimulus.

    ``at_s``: end of the block that brought it; ``computing_s`` the processor time from
    that block's last sample to the verdict. ``start_s`` to ``end_s``: the utterance as the
    ear cut it. ``probability`` is that of ``meaning``; ``probabilities`` has those of all
    meanings, where there are such.
    """

    at_s: float
    start_s: float
    end_s: float
    meaning: str | None
    phrase: str
    verdict: Verdict
    probability: float
    computing_s: float
    probabilities: Mapping[str, float]

    def probability_of(self, meaning: str) -> float:
        """How probable ``meaning`` was held to be, whether or not it was the best."""
        if self.probabilities:
            return self.probabilities.get(meaning, 0.0)
        return self.probability if self.meaning == meaning else 0.0


@dataclass(frozen=True, slots=True)
class Trial:
    """One case heard by one set-up. ``computing_s``: processor time for all ``audio_s``."""

    key: str
    setup: str
    audio_s: float
    from_s: float
    to_s: float
    computing_s: float
    words: tuple[PlacedWord, ...]
    decisions: tuple[Decision, ...]


def try_out(
    ear: Ear, cell: Cell, phrases: Phrases, stimulus: Stimulus, key: str, setup: Opinions
) -> Trial:
    """Feed a stimulus block by block, as the microphone would; everything may be said."""
    ear.reset()
    ear.allow(tuple(phrases.meanings), phrases.standing, phrases.urgent)
    step = round(BLOCK_S * LISTENING_RATE_HZ)
    decisions: list[Decision] = []
    samples = stimulus.samples
    computing_s = 0.0
    for start in range(0, len(samples), step):
        block = samples[start : start + step]
        at_s = (start + len(block)) / LISTENING_RATE_HZ
        began_s = time.thread_time()
        judged = [(heard, _judged(heard, phrases, cell)) for heard in ear.feed(block, at_s)]
        took_s = time.thread_time() - began_s
        computing_s += took_s
        decisions += [
            _decision(heard, one, at_s, took_s) for heard, one in judged
        ]
    return Trial(
        key, setup, len(samples) / LISTENING_RATE_HZ, stimulus.from_s, stimulus.to_s,
        round(computing_s, _DIGITS), stimulus.words, tuple(decisions),
    )  # fmt: skip


def _judged(heard: Heard, phrases: Phrases, cell: Cell) -> Judged:
    """As at an open question that allows everything: acting, confirming and asking again."""
    found = match(heard.hypothesis, phrases.meanings, heard.probabilities)
    return decide(found, cell.listening, during_speech=heard.during_speech)


def _decision(heard: Heard, judged: Judged, at_s: float, took_s: float) -> Decision:
    found = judged.match
    return Decision(
        round(at_s, _DIGITS), round(heard.start_s, _DIGITS), round(heard.end_s, _DIGITS),
        found.meaning, found.phrase, judged.verdict,
        round(min(1.0, max(0.0, found.score)), _DIGITS), round(took_s, _DIGITS),
        {meaning: round(p, _DIGITS) for meaning, p in found.meanings.items() if p >= LEAST_KEPT},
    )  # fmt: skip


def trial_to_json(trial: Trial) -> dict[str, Any]:
    """Plain values, as they stand in the file of trials."""
    return {
        "key": trial.key,
        "setup": trial.setup,
        "audio_s": trial.audio_s,
        "from_s": trial.from_s,
        "to_s": trial.to_s,
        "computing_s": trial.computing_s,
        "words": [
            {"phrase": word.phrase, "meaning": word.meaning, "start_s": round(word.start_s, 4),
             "end_s": round(word.end_s, 4), "peak_end_s": round(word.peak_end_s, 4),
             "timed": word.timed}
            for word in trial.words
        ],
        "decisions": [
            {"at_s": one.at_s, "start_s": one.start_s, "end_s": one.end_s,
             "meaning": one.meaning, "phrase": one.phrase, "verdict": one.verdict.value,
             "probability": one.probability, "computing_s": one.computing_s,
             "probabilities": dict(one.probabilities)}
            for one in trial.decisions
        ],
    }  # fmt: skip


def trial_from_json(values: Mapping[str, Any]) -> Trial:
    """The inverse of :func:`trial_to_json`. Raises KeyError, TypeError or ValueError."""
    return Trial(
        str(values["key"]),
        str(values["setup"]),
        float(values["audio_s"]),
        float(values["from_s"]),
        float(values["to_s"]),
        float(values["computing_s"]),
        tuple(PlacedWord(**word) for word in values["words"]),
        tuple(
            Decision(**{**one, "verdict": Verdict(one["verdict"])}) for one in values["decisions"]
        ),
    )
