"""``python -m benchmarks.hours``: how often a table acts in hours of what is not for it.

Continuous speech of voices that nothing has learnt from, machines and music, through the
whole ear of the demo's cell, all its answers and commands allowed all the time. Made anew
from seeds; goes on after a break; figures with the exact Poisson interval.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from rich.console import Console

from benchmarks.claims import ROOT
from benchmarks.evaluation import Steps, kept_part
from tablevoice.audio.clip_files import write_clip
from tablevoice.cell import load_cell
from tablevoice.commands.evaluating import measure, show
from tablevoice.corpora.noises import noise
from tablevoice.corpora.rendering import Request, render
from tablevoice.corpora.sentences import EVERYDAY, without_commands
from tablevoice.corpora.speakers import any_manner, sample_of_speakers, speakers
from tablevoice.corpora.wordlists import ordinary_words
from tablevoice.evaluation.instrument import Wish
from tablevoice.evaluation.report_folder import results_json
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.shipped import shipped

RESULTS = ROOT / "benchmarks" / "hours_results.json"
MACHINES = ("shop", "pump", "valve", "compressed_air", "fan", "servo", "motor", "grinder",
            "hammer", "beeper")  # fmt: skip
SEED = 77_001
TALKERS = ("pico", "piper")
"""Families that nothing has learnt from (Festival's is left out: hours of it take hours)."""
_PIECE_S = 600.0
_LEVEL = np.float32(0.2)


def talk(seconds: float, cell_phrases: Sequence[str], seed: int) -> Samples:
    """Sentences and loose words one after another, short pauses between, several voices."""
    rng = np.random.default_rng(seed)
    cast = sample_of_speakers(speakers(TALKERS), 8, seed)
    lines = without_commands(EVERYDAY, tuple(cell_phrases))
    words = ordinary_words(600, seed, without=cell_phrases)
    requests = []
    for _ in range(round(seconds / 2.2)):
        if rng.random() < 0.6:
            text = lines[int(rng.integers(len(lines)))]
        else:
            text = " ".join(words[int(at)] for at in rng.integers(0, len(words), 5))
        speaker = cast[int(rng.integers(len(cast)))]
        requests.append(Request(speaker, text, any_manner(rng, 0.5)))
    parts: list[Samples] = []
    total = 0
    for rendered in render(requests, workers=1):
        if rendered.samples is None:
            continue
        clip = rendered.samples / np.float32(np.abs(rendered.samples).max()) * _LEVEL
        gap = np.zeros(round(float(rng.uniform(0.05, 0.9)) * LISTENING_RATE_HZ), np.float32)
        parts += [clip, gap]
        total += len(clip) + len(gap)
        if total >= seconds * LISTENING_RATE_HZ:
            break
    return np.concatenate(parts)


def make_hours(folder: Path, talk_h: float, machines_h: float, music_h: float) -> Path:
    """The manifest; a piece that is there already is kept."""
    folder.mkdir(parents=True, exist_ok=True)
    phrases = spoken_phrases(load_cell(shipped("lantern_table.yaml")).phrasebook)
    rows = []
    for kind, hours in (("talk", talk_h), ("machines", machines_h), ("music", music_h)):
        for number in range(round(hours * 3600 / _PIECE_S)):
            path = folder / f"{kind}-{number:03d}.flac"
            rows.append((path.name, "", kind, kind))
            if path.exists():
                continue
            if kind == "talk":
                samples = talk(_PIECE_S, phrases, SEED + number)
            else:
                name = "music" if kind == "music" else MACHINES[number % len(MACHINES)]
                speech: list[Samples] = []
                if name == "shop":
                    speech = [talk(20.0, phrases, SEED + 500 + number)]
                made = noise(name, _PIECE_S, SEED + number, speech=speech)
                samples = made / np.float32(np.abs(made).max()) * _LEVEL
            write_clip(path, Clip(samples.astype(np.float32), LISTENING_RATE_HZ))
    manifest = folder / "manifest.csv"
    with manifest.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("path", "expected", "speaker", "condition"))
        writer.writerows(rows)
    return manifest


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.hours", description=__doc__)
    parser.add_argument("--talk", type=float, default=4.0, help="hours of talk")
    parser.add_argument("--machines", type=float, default=3.5)
    parser.add_argument("--music", type=float, default=3.0)
    parser.add_argument("--workers", type=int, default=None)
    options = parser.parse_args(arguments)
    console = Console(stderr=True)
    folder = ROOT / "build" / "hours"
    with console.status("making the hours …"):
        manifest = make_hours(folder / "set", options.talk, options.machines, options.music)
    cell = load_cell(shipped("lantern_table.yaml"))
    wish = Wish(manifest, folder / "report", ("both",), (), (), options.workers)
    evaluation, files = measure(cell, wish, Steps(console))
    show(evaluation, Console(width=120))
    found = json.dumps(kept_part(results_json(evaluation)), indent=1, ensure_ascii=False)
    RESULTS.write_text(found + "\n", encoding="utf-8")
    for path in files:
        console.print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
