"""End of a word to the judge's verdict (goal: p95 at most 300 ms).

Audio time from the word's end to the block that brought the verdict, plus the time that
the ear computed on that block. Where a word ends is a matter of taste, so both are
printed: the last sound above -30 dB of its peak (the release of a final p or t counts),
and above -20 dB (it often does not, and so the wait seems some 60 ms longer).
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import soxr

from tablevoice.listening.ear import Ear
from tablevoice.listening.judging import judge
from tablevoice.listening.matching import match
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import LISTENING_RATE_HZ, Voice
from tablevoice.speech.engines import Engine

GOAL_MS = 300.0
BLOCK = 320
MARKS_DB = (-30, -20)
WORDS = ("amber", "violet", "indigo", "scarlet", "pause", "hold on", "stop", "help")
VOICES = ("en-us", "en-gb+f2", "en-us+m3", "en-us+f4")


def measure() -> list[dict[str, Any]]:
    rng = np.random.default_rng(2)
    recogniser = open_recogniser("pocketsphinx")
    meanings = {word: word for word in WORDS}
    delays_ms: dict[int, list[float]] = {mark_db: [] for mark_db in MARKS_DB}
    computing_ms: list[float] = []
    heard_count = 0
    with Engine() as engine:
        for name in VOICES:
            ear = Ear(recogniser)
            ear.allow(WORDS, ())
            fed = 0
            for word in WORDS:
                clip = engine.render(word, Voice(name, voice=name))
                speech = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
                track = np.concatenate((np.zeros(16000), speech, np.zeros(20000)))
                track = (track + rng.normal(0, 0.001, len(track))).astype(np.float32)
                envelope = np.convolve(np.square(speech), np.ones(160) / 160, "same")
                ends = {
                    mark_db: fed
                    + 16000
                    + int(np.flatnonzero(envelope > envelope.max() * 10 ** (mark_db / 10))[-1])
                    for mark_db in MARKS_DB
                }
                for start in range(0, len(track), BLOCK):
                    block = track[start : start + BLOCK]
                    fed += len(block)
                    began_s = time.perf_counter()
                    heard = ear.feed(block, fed / LISTENING_RATE_HZ)
                    for one in heard:
                        judge(match(one.hypothesis, meanings, one.probabilities))
                    took_ms = 1000 * (time.perf_counter() - began_s)
                    if heard:
                        heard_count += 1
                        computing_ms.append(took_ms)
                        for mark_db, end in ends.items():
                            waited_ms = 1000 * (fed - end) / LISTENING_RATE_HZ
                            delays_ms[mark_db].append(waited_ms + took_ms)
    recogniser.close()
    rows: list[dict[str, Any]] = []
    for mark_db, delays in delays_ms.items():
        p95 = float(np.quantile(delays, 0.95))
        rows.append(
            {
                "what": f"end of word ({mark_db} dB) to verdict, p95",
                "value": round(p95, 1),
                "unit": "ms",
                "goal": GOAL_MS,
                "met": p95 <= GOAL_MS,
                "n": heard_count,
                "median": round(float(np.median(delays)), 1),
                "computing_p95_ms": round(float(np.quantile(computing_ms, 0.95)), 1),
            }
        )
    return rows


if __name__ == "__main__":
    for row in measure():
        print(row)
