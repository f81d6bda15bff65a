"""Event to first sample: a message through the table to the line's sound, against plain pyttsx3.

All ways run in one process, one after the other for each line, so a busy machine slows them
alike. "Ready" means: the line's samples are in memory, to be handed to a loudspeaker; the
loudspeaker's own latency is not in it. The goal is a 95th percentile of 20 ms for the prepared
line, from the controller's message on: table, chooser, queue, the thread of prepared lines.
``measure()`` is called by the benchmark table; ``python -m benchmarks.first_sample`` prints
these rows alone.
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

from tablevoice.actions import Sound
from tablevoice.assembly import Assembly, Voices
from tablevoice.cell import Cell, load_cell
from tablevoice.line_rendering import LineRendering
from tablevoice.links.messages import EventReported
from tablevoice.model import Utterance
from tablevoice.speech import espeak_library
from tablevoice.speech.store import PreparedStore
from tablevoice.table import Table

RATE_WPM = 150
COLOURS = ("amber", "violet", "teal", "crimson", "ivory")
COUNTS = range(1, 41)
GOAL_P95_MS = 20.0

CELL = f"""
format: 1
table: measured table
phrasebooks: [book.yaml]
voices: {{Alder: {{engine: espeak, voice: en-gb+m3, rate_wpm: {RATE_WPM}, pitch: 40}}}}
recogniser: {{kind: none}}
store: {{folder: store, max_mb: 100}}
history: {{file: history.sqlite}}
"""
BOOK = f"""
format: 1
title: Measured
language: en
slots: {{lights: {list(COUNTS)}, colour: [{", ".join(COLOURS)}], note: any}}
events:
  told:
    slots: [lights, colour]
    lines: ["{{lights}} lights on the string. Call {{colour}} for the lantern that you hang."]
  strange:
    slots: [lights, colour, note]
    lines: ["{{lights}} lights on the {{note}}. Call {{colour}} for the lantern that you hang."]
"""


def measure() -> list[dict[str, Any]]:
    """Rows ``what, n, p50_ms, p95_ms, ratio, goal, met, note``; ``ratio``: of p50, plain = 1."""
    with TemporaryDirectory() as folder:
        (Path(folder) / "book.yaml").write_text(BOOK, encoding="utf-8")
        (Path(folder) / "cell.yaml").write_text(CELL, encoding="utf-8")
        return _measured(load_cell(Path(folder) / "cell.yaml"), Path(folder))


def _measured(cell: Cell, folder: Path) -> list[dict[str, Any]]:
    times: dict[str, list[float]] = {"plain": [], "fly": [], "disk": [], "memory": []}
    plain = _PlainEngine(folder / "plain.wav")
    lines = 0
    with Assembly(cell, remember=False) as parts:
        report = parts.prepare()
        if report.problems:
            raise RuntimeError(str(report.problems[0]))
        cold_store = PreparedStore(cell.store_folder, 100, loudness=cell.loudness)
        table = parts.open_table(1)
        with (
            LineRendering(parts.voices, _told) as warm,
            LineRendering(Voices(cell, parts.engine, cold_store), _told) as cold,
        ):
            for lights in COUNTS:
                for colour in COLOURS:
                    slots: dict[str, str | int] = {"lights": lights, "colour": colour}
                    number = f"{lights}-{colour}"
                    lines += 1
                    taken_s = plain.first_sample_s(
                        f"{lights} lights on the string. Call {colour} for the lantern that you"
                        " hang."
                    )
                    if taken_s is not None:
                        times["plain"].append(taken_s)
                    strange = EventReported(
                        id=f"f{number}", event="strange", slots={**slots, "note": "tree"}
                    )
                    times["fly"].append(_first_sample_s(strange, table, warm))
                    for way, lane in (("disk", cold), ("memory", warm)):
                        told = EventReported(id=f"{way}{number}", event="told", slots=slots)
                        times[way].append(_first_sample_s(told, table, lane))
    return _rows(times, lines)


def _rows(times: dict[str, list[float]], lines: int) -> list[dict[str, Any]]:
    base = float(np.median(times["plain"]))
    notes = {"plain": f"{lines - len(times['plain'])} more came out empty", "disk": "not in memory"}
    labels = {
        "plain": "plain pyttsx3 save_to_file in this process",
        "fly": "rendered when said (an unknown slot value), at its loudness, stored",
        "disk": "prepared line from disk",
        "memory": "prepared line from memory",
    }
    return [
        {
            "what": f"event to first sample, {labels[key]}",
            "n": len(taken),
            "p50_ms": 1000 * float(np.median(taken)),
            "p95_ms": _p95_ms(taken),
            "ratio": float(np.median(taken)) / base,
            "goal": f"p95 <= {GOAL_P95_MS:g} ms" if key in ("memory", "disk") else "",
            "met": None if key not in ("memory", "disk") else _p95_ms(taken) <= GOAL_P95_MS,
            "note": notes.get(key, ""),
        }
        for key, taken in times.items()
    ]


def _p95_ms(taken_s: list[float]) -> float:
    return 1000 * float(np.percentile(taken_s, 95))


def _told(problem: object) -> None:
    raise RuntimeError(str(problem))


def _first_sample_s(message: EventReported, table: Table, lane: LineRendering) -> float:
    """From the message to the first sample in hand; then the line is over."""
    begun_s = time.perf_counter()
    actions = table.receive(message, begun_s)
    (utterance,) = [action.utterance for action in actions if isinstance(action, Sound)]
    clip = lane.make_ready(utterance, None, 8.0).result(60.0)
    float(clip.samples[0])
    taken_s = time.perf_counter() - begun_s
    _end(utterance, table)
    return taken_s


def _end(utterance: Utterance, table: Table) -> None:
    # Long after, so that the pause between two lines is over for the next one.
    table.voice_ended(utterance.id, time.perf_counter() - 60.0)


class _PlainEngine:
    """What a short program does: pyttsx3 in this process, into a file, and read it."""

    def __init__(self, file: Path) -> None:
        espeak_library.make_findable()
        self._file = file
        self._engine = pyttsx3.init("espeak")
        self._engine.setProperty("voice", "gmw/en+m3")
        self._engine.setProperty("rate", RATE_WPM)

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
            f"{row['what']:<82} n={row['n']} p50={row['p50_ms']:.2f} ms"
            f" p95={row['p95_ms']:.2f} ms ratio={row['ratio']:.4f} {row['note']}",
            file=sys.stderr,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
