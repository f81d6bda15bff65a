"""Event to first sample: a prepared line out of the warm store against plain pyttsx3.

Both run in one process, one after the other for each line, so a busy machine slows both.
"Ready" means: the line's samples are in memory, in order of the queue's decision, to be
handed to a loudspeaker; the loudspeaker's own latency is not in it. The goal is a
95th percentile of 20 ms for the prepared line. ``measure()`` is called by the
benchmark table; ``python -m benchmarks.first_sample`` prints these rows alone.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pyttsx3
import soundfile

from tablevoice.model import Priority, Utterance, Voice
from tablevoice.speech import espeak_library
from tablevoice.speech.engines import Engine
from tablevoice.speech.preparing import prepare
from tablevoice.speech.queue import SpeechQueue, Start
from tablevoice.speech.store import PreparedStore

ALDER = Voice("Alder", voice="en-gb+m3", rate_wpm=150, pitch=40)
COLOURS = ("amber", "violet", "teal", "crimson", "ivory")
LINES = tuple(
    f"{count} lights on the string. Call {colour} for the lantern that you want to hang."
    for count in range(1, 41)
    for colour in COLOURS
)
GOAL_P95_MS = 20.0


def measure() -> list[dict[str, Any]]:
    """Rows ``what, n, p50_ms, p95_ms, ratio, goal, met, note``; ``ratio``: of p50, plain = 1."""
    with TemporaryDirectory() as folder, Engine() as engine:
        kept = Path(folder) / "store"
        store = PreparedStore(kept, 100)
        report = prepare([(line, ALDER.name) for line in LINES], {ALDER.name: ALDER}, engine, store)
        if report.problems:
            raise RuntimeError(str(report.problems[0]))
        cold = PreparedStore(kept, 100)  # the same entries, none in memory yet
        plain = _PlainEngine(Path(folder) / "plain.wav")
        times: dict[str, list[float]] = {"plain": [], "disk": [], "memory": []}
        for number, line in enumerate(LINES):
            taken_s = plain.first_sample_s(line)
            if taken_s is not None:
                times["plain"].append(taken_s)
            times["disk"].append(_first_sample_s(number, line, cold, engine))
            times["memory"].append(_first_sample_s(number, line, store, engine))
    base = float(np.median(times["plain"]))
    notes = {
        "plain": f"{len(LINES) - len(times['plain'])} more came out empty",
        "disk": "not in memory yet",
        "memory": "",
    }
    labels = {
        "plain": "event to first sample, plain pyttsx3 save_to_file",
        "disk": "event to first sample, prepared line from disk",
        "memory": "event to first sample, prepared line from memory",
    }
    return [
        {
            "what": labels[key],
            "n": len(taken),
            "p50_ms": 1000 * float(np.median(taken)),
            "p95_ms": _p95_ms(taken),
            "ratio": float(np.median(taken)) / base,
            "goal": f"p95 <= {GOAL_P95_MS:g} ms" if key == "memory" else "",
            "met": None if key != "memory" else _p95_ms(taken) <= GOAL_P95_MS,
            "note": notes[key],
        }
        for key, taken in times.items()
    ]


def _p95_ms(taken_s: list[float]) -> float:
    return 1000 * float(np.percentile(taken_s, 95))


def _first_sample_s(number: int, line: str, store: PreparedStore, engine: Engine) -> float:
    begun_s = time.perf_counter()
    utterance = Utterance(
        id=str(number),
        event_id=str(number),
        event="colour_asked",
        line_key="",
        voice=ALDER.name,
        text=line,
        priority=Priority.QUESTION,
        interruptible=True,
        born_s=begun_s,
        fresh_until_s=begun_s + 8.0,
    )
    _, decisions = SpeechQueue().push(utterance, begun_s)
    (decision,) = decisions
    if not isinstance(decision, Start):
        raise RuntimeError(f"an empty queue decided {decision}")
    clip = store.clip_for(decision.utterance.text, ALDER, engine)
    float(clip.samples[0])
    return time.perf_counter() - begun_s


class _PlainEngine:
    """What a short program does: pyttsx3 in this process, into a file, and read it."""

    def __init__(self, file: Path) -> None:
        espeak_library.make_findable()
        self._file = file
        self._engine = pyttsx3.init("espeak")
        self._engine.setProperty("voice", "gmw/en+m3")
        self._engine.setProperty("rate", ALDER.rate_wpm)

    def first_sample_s(self, line: str) -> float | None:
        """Seconds, or ``None`` when pyttsx3 came back without any sound."""
        self._file.unlink(missing_ok=True)
        begun_s = time.perf_counter()
        self._engine.save_to_file(line, str(self._file))
        self._engine.runAndWait()
        if not self._file.is_file():
            return None
        samples, _ = soundfile.read(self._file, dtype="float32")
        taken_s = time.perf_counter() - begun_s
        return taken_s if np.any(samples) else None


def main() -> int:
    # pyttsx3 prints a line for every file: the rows go where it does not.
    for row in measure():
        print(
            f"{row['what']:<52} n={row['n']} p50={row['p50_ms']:.2f} ms"
            f" p95={row['p95_ms']:.2f} ms ratio={row['ratio']:.4f} {row['note']}",
            file=sys.stderr,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
