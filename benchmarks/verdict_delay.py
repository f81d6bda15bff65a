"""End of a word to the judge's verdict (goal: p95 at most 300 ms).

Audio time from the word's last sound (20 dB below its peak level) to the block that
brought the verdict, plus the time that the ear computed on that block.
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
WORDS = ("amber", "violet", "indigo", "scarlet", "pause", "hold on", "stop", "help")
VOICES = ("en-us", "en-gb+f2", "en-us+m3", "en-us+f4")


def measure() -> list[dict[str, Any]]:
    rng = np.random.default_rng(2)
    recogniser = open_recogniser("pocketsphinx")
    meanings = {word: word for word in WORDS}
    delays_ms: list[float] = []
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
                word_end = fed + 16000 + int(np.flatnonzero(envelope > envelope.max() / 100)[-1])
                for start in range(0, len(track), BLOCK):
                    block = track[start : start + BLOCK]
                    fed += len(block)
                    began_s = time.perf_counter()
                    heard = ear.feed(block, fed / LISTENING_RATE_HZ)
                    for one in heard:
                        judge(match(one.hypothesis, meanings))
                    took_ms = 1000 * (time.perf_counter() - began_s)
                    if heard:
                        heard_count += 1
                        computing_ms.append(took_ms)
                        delays_ms.append(1000 * (fed - word_end) / LISTENING_RATE_HZ + took_ms)
    recogniser.close()
    p95 = float(np.quantile(delays_ms, 0.95))
    return [
        {
            "what": "end of word to verdict, p95",
            "value": round(p95, 1),
            "unit": "ms",
            "goal": GOAL_MS,
            "met": p95 <= GOAL_MS,
            "n": heard_count,
            "median": round(float(np.median(delays_ms)), 1),
            "computing_p95_ms": round(float(np.quantile(computing_ms, 0.95)), 1),
        }
    ]


if __name__ == "__main__":
    for row in measure():
        print(row)
