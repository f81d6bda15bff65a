"""Preparing lines with espeak-ng: how many times real time over all cores, and in what memory.

The same lines are prepared by one engine and by one a core, and rendered by plain pyttsx3 calls
in a row, in turns within one run, three rounds; medians are given. The goal is 50 times real
time over both cores, loudness, FLAC and disk included. Memory is that of a fresh process that
prepares many lines and then reads them all, with its engines. ``measure()`` is called by the
benchmark table; ``python -m benchmarks.preparing 10000`` takes that many lines for the memory.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pyttsx3
import soundfile

from tablevoice.model import Voice
from tablevoice.speech import espeak_library
from tablevoice.speech.engines import Engine
from tablevoice.speech.loudness import Loudness
from tablevoice.speech.preparing import prepare
from tablevoice.speech.store import PreparedStore

ALDER = Voice("Alder", voice="en-gb+m3", rate_wpm=150, pitch=40)
ROUNDS = 3
LINES = 200
LINES_FOR_MEMORY = 1_000
GOAL = 50.0
CORES = os.cpu_count() or 1


def line(number: int) -> str:
    """A sentence of about two and a half seconds, another one for each number."""
    return f"Lantern {number} is on the string, and nobody saw the moth."


def short_line(number: int) -> str:
    """For counting memory: a second and a half of sound, so that many lines take minutes."""
    return f"Light {number}, please."


def measure(lines_for_memory: int = LINES_FOR_MEMORY) -> list[dict[str, Any]]:
    """Rows ``what, n, real_time, ratio, goal, met, note``; ``ratio``: plain pyttsx3 = 1."""
    speeds: dict[str, list[float]] = {"plain": [], "one": [], "all": []}
    for round_ in range(ROUNDS):
        texts = [line(round_ * LINES + number) for number in range(LINES)]
        with TemporaryDirectory() as folder:
            speeds["plain"].append(_plain(texts[: LINES // 4], Path(folder) / "plain.wav"))
        for key, workers in (("one", 1), ("all", CORES)):
            with TemporaryDirectory() as folder, Engine() as engine:
                engine.version()
                speeds[key].append(_prepared(texts, engine, Path(folder), workers))
    base = float(np.median(speeds["plain"]))
    labels = {
        "plain": "plain pyttsx3 save_to_file, one after the other",
        "one": "prepared by one engine",
        "all": f"prepared by {CORES} engines",
    }
    rows = [
        {
            "what": labels[key],
            "n": ROUNDS * (LINES // 4 if key == "plain" else LINES),
            "real_time": float(np.median(found)),
            "ratio": float(np.median(found)) / base,
            "goal": f">= {GOAL:g}" if key == "all" else "",
            "met": float(np.median(found)) >= GOAL if key == "all" else None,
            "note": "rounds: " + ", ".join(f"{speed:.0f}" for speed in found),
        }
        for key, found in speeds.items()
    ]
    return [*rows, _memory(lines_for_memory)]


def _prepared(texts: list[str], engine: Engine, folder: Path, workers: int) -> float:
    """Seconds of sound a second."""
    store = PreparedStore(folder, 1000, loudness=Loudness())
    begun_s = time.perf_counter()
    done = prepare([(text, "Alder") for text in texts], {"Alder": ALDER}, engine, store,
                   workers=workers)  # fmt: skip
    if done.problems:
        raise RuntimeError(str(done.problems[0]))
    return done.made_s / (time.perf_counter() - begun_s)


_ENGINES: list[Any] = []


def _plain(texts: list[str], file: Path) -> float:
    if not _ENGINES:
        espeak_library.make_findable()
        engine = pyttsx3.init("espeak")
        engine.setProperty("voice", "gmw/en+m3")
        engine.setProperty("rate", ALDER.rate_wpm)
        _ENGINES.append(engine)
    sound_s = 0.0
    begun_s = time.perf_counter()
    for text in texts:
        file.unlink(missing_ok=True)
        _ENGINES[0].save_to_file(text, str(file))
        _ENGINES[0].runAndWait()
        if file.is_file():
            sound_s += soundfile.info(str(file)).duration
    return sound_s / (time.perf_counter() - begun_s)


MEMORY = """
import sys
from pathlib import Path
import psutil
from benchmarks.preparing import ALDER, CORES, short_line
from tablevoice.speech.engines import Engine
from tablevoice.speech.loudness import Loudness
from tablevoice.speech.preparing import prepare
from tablevoice.speech.store import PreparedStore

def memory():
    me = psutil.Process()
    children = sum(child.memory_info().rss for child in me.children())
    return me.memory_info().rss / 1e6, children / 1e6

folder, count = Path(sys.argv[1]), int(sys.argv[2])
with Engine() as engine:
    engine.version()
    store = PreparedStore(folder, 2000, loudness=Loudness())
    before, _ = memory()
    most = [0.0, 0.0]
    def watch(done, of):
        if done % 50 == 0:
            own, children = memory()
            most[0], most[1] = max(most[0], own), max(most[1], children)
    done = prepare(
        ((short_line(n), "Alder") for n in range(count)), {"Alder": ALDER}, engine, store, watch,
        workers=CORES)
    assert not done.problems, done.problems
    for n in range(count):
        assert store.prepared(short_line(n), ALDER, engine) is not None
        if n % 50 == 0:
            most[0] = max(most[0], memory()[0])
    print(before, most[0], most[1], store.memory_bytes / 1e6, store.disk_bytes / 1e6, done.made_s)
"""


def _memory(lines: int) -> dict[str, Any]:
    with TemporaryDirectory() as folder:
        done = subprocess.run([sys.executable, "-c", MEMORY, folder, str(lines)],
                              capture_output=True, text=True, check=True)  # fmt: skip
    before, own, engines, held, disk, sound_s = map(float, done.stdout.split())
    return {
        "what": "memory while preparing and reading, MB: highest",
        "n": lines,
        "real_time": own,
        "note": f"{before:.0f} MB before, engines beside it {engines:.0f} MB, sound held"
        f" {held:.0f} MB, {sound_s:.0f} s of sound on disk in {disk:.0f} MB",
    }


def main(lines_for_memory: int) -> int:
    for row in measure(lines_for_memory):
        # pyttsx3 prints a line for every file: the rows go where it does not.
        print({key: value for key, value in row.items() if value not in ("", None)},
              file=sys.stderr)  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else LINES_FOR_MEMORY))
