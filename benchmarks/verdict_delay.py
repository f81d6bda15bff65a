"""End of a word to the judge's verdict, through the whole ear of the demo's table.

Audio time from the word's end to the block that brought the verdict, plus the time that
the ear computed on that block. Where a word ends is a matter of taste, so both are
printed: the last sound above -30 dB of its peak (the release of a final p or t counts),
and above -20 dB (it often does not, and so the wait seems some 60 ms longer). Goals: p95
at most 250 ms for an answer, 200 ms for what asks for a hold.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import soxr

from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.listening.judging import judge
from tablevoice.listening.matching import match
from tablevoice.model import LISTENING_RATE_HZ, Samples, StandingKind, Voice
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.shipped import shipped
from tablevoice.speech.engines import Engine
from tablevoice.wording import normalise

GOALS_MS = {"answer": 250.0, "pause or stop": 200.0}
BLOCK = 320
MARKS_DB = (-30, -20)
VOICES = ("en-us", "en-gb+f2", "en-us+m3", "en-us+f4")
HOLD_TAKES = 4
"""Times each voice says each of them; a word of another kind is said once."""


@dataclass(slots=True)
class _Delays:
    """Of words of one kind, for each mark; ``computing_ms`` is the ear's part of them.
    ``broken``: words that gave more than one verdict."""

    asked: int = 0
    broken: int = 0
    waited_ms: dict[int, list[float]] = field(default_factory=lambda: {m: [] for m in MARKS_DB})
    computing_ms: list[float] = field(default_factory=list)


def measure() -> list[dict[str, Any]]:
    rng = np.random.default_rng(2)
    cell = load_cell(shipped("lantern_table.yaml"))
    standing = [p for command in cell.phrasebook.standing.values() for p in command.phrases]
    phrases = [p for p in spoken_phrases(cell.phrasebook) if p not in standing]
    holds = [p for kind in StandingKind.HOLDS for p in cell.phrasebook.standing[kind].phrases]
    meanings = {normalise(phrase): phrase for phrase in (*phrases, *standing)}
    delays = {kind: _Delays() for kind in GOALS_MS}
    with Engine() as engine, Assembly(cell, remember=False) as parts:
        for name in VOICES:
            ear = parts.open_ear()
            ear.allow(phrases, standing, holds)
            fed = 0
            for word in [*phrases, *standing, *holds * (HOLD_TAKES - 1)]:
                clip = engine.render(word, Voice(name, voice=name))
                speech = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
                track = np.concatenate((np.zeros(16000), speech, np.zeros(20000)))
                track = (track + rng.normal(0, 0.001, len(track))).astype(np.float32)
                ends = {mark_db: fed + 16000 + _end(speech, mark_db) for mark_db in MARKS_DB}
                of_kind = delays["pause or stop" if word in holds else "answer"]
                of_kind.asked += 1
                verdicts = 0
                for start in range(0, len(track), BLOCK):
                    block = track[start : start + BLOCK]
                    fed += len(block)
                    began_s = time.perf_counter()
                    heard = ear.feed(block, fed / LISTENING_RATE_HZ)
                    for one in heard:
                        judge(match(one.hypothesis, meanings, one.probabilities))
                    took_ms = 1000 * (time.perf_counter() - began_s)
                    verdicts += len(heard)
                    if heard and verdicts == 1:
                        of_kind.computing_ms.append(took_ms)
                        for mark_db, end in ends.items():
                            waited_ms = 1000 * (fed - end) / LISTENING_RATE_HZ
                            of_kind.waited_ms[mark_db].append(waited_ms + took_ms)
                of_kind.broken += verdicts > 1
    return [_row(kind, mark_db, delays[kind]) for kind in GOALS_MS for mark_db in MARKS_DB]


def _end(speech: Samples, mark_db: float) -> int:
    """The last sample that loud, after the mean power of 10 ms."""
    power = np.convolve(np.square(speech), np.ones(160) / 160, "same")
    return int(np.flatnonzero(power > power.max() * 10 ** (mark_db / 10))[-1])


def _row(kind: str, mark_db: int, delays: _Delays) -> dict[str, Any]:
    waited = delays.waited_ms[mark_db]
    p95 = float(np.quantile(waited, 0.95))
    return {
        "what": f"end of {kind} ({mark_db} dB) to verdict, p95",
        "value": round(p95, 1),
        "unit": "ms",
        "goal": GOALS_MS[kind],
        "met": p95 <= GOALS_MS[kind],
        "n": f"{len(waited)} of {delays.asked}",
        "in_pieces": delays.broken,
        "median": round(float(np.median(waited)), 1),
        "computing_p95_ms": round(float(np.quantile(delays.computing_ms, 0.95)), 1),
    }


if __name__ == "__main__":
    for row in measure():
        print(row)
