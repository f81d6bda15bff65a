"""What each engine costs: time to open, memory, and speed as a multiple of real time.

Every engine says the same lines in its own process, in turns within one run, three rounds;
medians are given, and each speed as a ratio to espeak-ng's in the same run. Memory is that of
the engine's process alone. ``measure()`` is called by the benchmark table.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np
import psutil

from tablevoice.model import Voice
from tablevoice.speech.engines import Engine

ROUNDS = 3
LINES = (
    "Four lights on the string.",
    "Call teal for the lantern that you want to hang.",
    "That was close. Your turn.",
    "A moth sat on the crimson one, and out it went.",
    "Good day. Welcome to the lantern table.",
    "Draw a lantern and hang it. If it has the called colour, it shines.",
    "Briar leads by two.",
    "Shall we empty the strings and begin again?",
)
VOICES = (
    Voice("espeak", engine="espeak", voice="en-gb+m3"),
    Voice("hibari", engine="hibari", voice="heart"),
    Voice("piper", engine="piper", voice="en_US-joe-medium"),
)


def measure() -> list[dict[str, Any]]:
    """Rows ``what, n, open_s, first_line_s, median_ms, real_time, ratio, memory_mb``."""
    opened = {voice.name: _opened(voice) for voice in VOICES}
    try:
        speeds: dict[str, list[float]] = {voice.name: [] for voice in VOICES}
        times: dict[str, list[float]] = {voice.name: [] for voice in VOICES}
        for _ in range(ROUNDS):
            for voice in VOICES:
                engine = opened[voice.name][0]
                taken_s, sound_s = 0.0, 0.0
                for line in LINES:
                    begun_s = time.perf_counter()
                    clip = engine.render(line, voice, 60.0)
                    times[voice.name].append(time.perf_counter() - begun_s)
                    taken_s += times[voice.name][-1]
                    sound_s += clip.duration_s
                speeds[voice.name].append(sound_s / taken_s)
        memory = {voice.name: _memory_mb(opened[voice.name][0], voice) for voice in VOICES}
    finally:
        for engine, *_ in opened.values():
            engine.close()
    base = float(np.median(speeds["espeak"]))
    return [
        {
            "what": f"engine {voice.engine}, voice {voice.voice}",
            "n": len(times[voice.name]),
            "open_s": opened[voice.name][1],
            "first_line_s": opened[voice.name][2],
            "median_ms": 1000 * float(np.median(times[voice.name])),
            "real_time": float(np.median(speeds[voice.name])),
            "ratio": float(np.median(speeds[voice.name])) / base,
            "memory_mb": memory[voice.name],
            "note": "of one process; times real time, ratio: espeak = 1",
        }
        for voice in VOICES
    ]


def _opened(voice: Voice) -> tuple[Engine, float, float]:
    """An engine with its voice loaded; seconds until it was ready, and for its first line."""
    engine = Engine()
    begun_s = time.perf_counter()
    engine.version(voice.engine)
    ready_s = time.perf_counter()
    engine.render("Good day.", voice, 120.0)
    return engine, ready_s - begun_s, time.perf_counter() - ready_s


def _memory_mb(engine: Engine, voice: Voice) -> float:
    process_id = engine.process_id(voice.engine)
    return float(psutil.Process(process_id).memory_info().rss) / 1e6


def main() -> int:
    for row in measure():
        print(
            f"{row['what']:<44} n={row['n']} opens in {row['open_s']:.2f} s, first line"
            f" {row['first_line_s']:.2f} s, then {row['median_ms']:.0f} ms a line,"
            f" {row['real_time']:.0f} × real time (ratio {row['ratio']:.2f}),"
            f" {row['memory_mb']:.0f} MB"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
