"""``python -m benchmarks.people``: how a real person is heard, in quiet and in noise.

The person is the announcer of Debian's ``asterisk-core-sounds-en-g722`` (one woman, 16 kHz;
Creative Commons BY-SA 3.0): she spells with the spelling alphabet, which makes thirteen or
twenty-six commands, and says some five hundred other things. Nothing here has learnt from
her. The tuned file is made from text, as for any cell. Her recordings are not part of the
repository: give the folder of the unpacked package.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console

from benchmarks.claims import ROOT
from benchmarks.evaluation import Steps, kept_part
from tablevoice.audio.clip_files import write_clip
from tablevoice.cell import load_cell
from tablevoice.commands.evaluating import measure, show
from tablevoice.commands.tuning_up import tune_cell
from tablevoice.errors import EngineFailed
from tablevoice.evaluation.instrument import Wish
from tablevoice.evaluation.report_folder import results_json
from tablevoice.listening.second_opinion import Opinions
from tablevoice.listening.tuned_file import tuned_path
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples

SPELLING = [
    "alpha", "bravo", "charlie", "delta", "echo", "foxtrot", "golf", "hotel", "india", "juliet",
    "kilo", "lima", "mike", "november", "oscar", "papa", "quebec", "romeo", "sierra", "tango",
    "uniform", "victor", "whiskey", "xray", "yankee", "zulu",
]  # fmt: skip
SETS = {"alpha to mike": SPELLING[:13], "november to zulu": SPELLING[13:]}
SNRS_DB = (None, 10.0, 5.0, 0.0)
NOISES = ("shop",)
SETUPS: tuple[Opinions, ...] = ("grammar", "both")
OUTSIDE = 100
"""Of the other things that she says, drawn by a seed."""
RESULTS = ROOT / "benchmarks" / "people_results.json"
_LONGEST_S = 8.0
_NO_SPEECH = ("beep", "tone", "silence", "phonetic")


def decoded(path: Path) -> Samples:
    """A G.722 file as 16 kHz mono. Raises EngineFailed where PyAV is not here."""
    try:
        import av
    except ImportError as error:
        raise EngineFailed(
            "PyAV is not here, and nothing else decodes G.722.",
            do="Install it: pip install 'tablevoice[compare]'.",
        ) from error
    parts: list[Any] = []
    with av.open(str(path), format="g722") as container:
        resampler = av.AudioResampler("s16", "mono", LISTENING_RATE_HZ)
        for frame in container.decode(audio=0):
            parts += [piece.to_ndarray().ravel() for piece in resampler.resample(frame)]
    return np.concatenate(parts).astype(np.float32) / np.float32(32_768)


def make_set(sounds: Path, folder: Path, words: Sequence[str]) -> Path:
    """The manifest of one set of words: hers, and all else that she says."""
    folder.mkdir(parents=True, exist_ok=True)
    rows: list[tuple[str, str, str, str]] = []
    files = sorted(sounds.rglob("*.g722"))
    order = np.random.default_rng(7).permutation(len(files))
    outside = 0
    for path in (files[int(index)] for index in order):
        name = path.relative_to(sounds).with_suffix("").as_posix()
        spelt = name.startswith("phonetic/") and name[9:10].isalpha()
        word = SPELLING[ord(name[9]) - ord("a")] if spelt else ""
        if not spelt and any(part in name for part in _NO_SPEECH):
            continue
        expected = word if word in words else ""
        if not expected and outside >= OUTSIDE:
            continue
        samples = decoded(path)
        if len(samples) > _LONGEST_S * LISTENING_RATE_HZ or float(np.abs(samples).max()) < 0.02:
            continue
        target = folder / f"{len(rows):04d}.flac"
        write_clip(target, Clip(samples * np.float32(0.5), LISTENING_RATE_HZ))
        rows.append((target.name, expected, "announcer", "one woman"))
        outside += not expected
    manifest = folder / "manifest.csv"
    with manifest.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("path", "expected", "speaker", "condition"))
        writer.writerows(rows)
    return manifest


def make_cell(folder: Path, words: Sequence[str]) -> Path:
    """A cell that asks for one of ``words`` and holds on "pause" and "stop"."""
    answers = "\n".join(f"      {word}: [{word}]" for word in words)
    book = f"""format: 1
title: Letters
language: en
pronounce:
  xray: EH K S R EY
events:
  asked: {{about: The table asks., priority: move, lines: [Which letter is it?]}}
  again: {{about: Asked again., priority: move, lines: [Once more, if you can.]}}
  held: {{about: Held., priority: warning, lines: [We hold still.]}}
questions:
  letter:
    answers:
{answers}
    ask_again: again
standing:
  pause: {{phrases: [pause], says: held}}
  stop: {{phrases: [stop], says: held}}
"""
    (folder / "letters.yaml").write_text(book, encoding="utf-8")
    cell = folder / "cell.yaml"
    cell.write_text(
        "format: 1\ntable: letters\nphrasebooks: [letters.yaml]\n"
        "voices: {Alder: {voice: en-gb+m3}}\n",
        encoding="utf-8",
    )
    return cell


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.people", description=__doc__)
    parser.add_argument("sounds", type=Path, help="the package's folder en_US_f_Allison")
    parser.add_argument("--only", choices=SETS, help="one of the two sets of words")
    parser.add_argument("--workers", type=int, default=None)
    options = parser.parse_args(arguments)
    console = Console(stderr=True)
    found = {}
    for title, words in SETS.items():
        if options.only not in (None, title):
            continue
        folder = ROOT / "build" / "people" / title.replace(" ", "_")
        manifest = make_set(options.sounds, folder / "set", words)
        cell = load_cell(make_cell(folder, words))
        if not tuned_path(cell.path).exists():
            console.print(f"tuning to {title}")
            tune_cell(cell, workers=options.workers)
        wish = Wish(manifest, folder / "report", SETUPS, SNRS_DB, NOISES, options.workers)
        evaluation, files = measure(cell, wish, Steps(console))
        show(evaluation, Console(width=120))
        found[title] = kept_part(results_json(evaluation))
        for path in files:
            console.print(path)
    RESULTS.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
