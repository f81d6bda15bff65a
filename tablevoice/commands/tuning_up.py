"""``tablevoice tune``: collects what a cell has to learn from, has it learnt, says what came out.

Reads recordings of the room, of operators who said the words, and corrected verdicts whose
sound was kept; the work itself is done in :mod:`tablevoice.tuning.command_model`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tablevoice.assembly import Assembly
from tablevoice.audio.clip_files import read_clip, to_rate
from tablevoice.cell import Cell
from tablevoice.enrolment import enrolled, words_of
from tablevoice.errors import FileRefused, Problem
from tablevoice.history import History
from tablevoice.listening.tuned_file import tuned_path
from tablevoice.model import LISTENING_RATE_HZ, Samples
from tablevoice.nearest import advice
from tablevoice.tuning.command_model import Recording, Step, tune
from tablevoice.tuning.examples import NOISES, Amounts

SHORTEST_ROOM_S = 3.0
"""Of a recording of the room: the examples take stretches of up to 1.8 s from it."""

QUIETEST_PEAK = 3e-4
"""Ten steps of a 16-bit file: a microphone that was off."""


@dataclass(frozen=True, slots=True)
class Tuned:
    """What ``tune`` made: the file, and what stands in it."""

    path: Path
    notes: dict[str, Any]


def tune_cell(
    cell: Cell,
    *,
    out: Path | None = None,
    noise_files: Sequence[Path] = (),
    voice_folders: Sequence[Path] = (),
    workers: int | None = None,
    amounts: Amounts = Amounts(),
    kinds: tuple[str, ...] = NOISES,
    seed: int = 1,
    step: Step = lambda what, done, of: None,
) -> Tuned:
    """Make the tuned file of a cell. Raises what reading, speaking and writing raise."""
    path = out or cell.listening.tuned or tuned_path(cell.path)
    noises = _rooms(noise_files)
    recordings = [*_voice_samples(cell, voice_folders), *_enrolled(cell), *_corrected(cell)]
    recordings = [recording for recording in recordings if not _silent(recording.samples)]
    notes = tune(
        cell, path, lines=_lines(cell), noises=noises, recordings=recordings, amounts=amounts,
        kinds=kinds, workers=workers, seed=seed, step=step,
    )  # fmt: skip
    return Tuned(path, notes)


def _samples(path: Path) -> Samples:
    return to_rate(read_clip(path), LISTENING_RATE_HZ).samples


def _rooms(files: Sequence[Path]) -> list[Samples]:
    noises, problems = [], []
    for file in files:
        noise = _samples(file)
        if len(noise) < SHORTEST_ROOM_S * LISTENING_RATE_HZ or _silent(noise):
            problems.append(Problem(
                f"The recording of the room is silent or shorter than {SHORTEST_ROOM_S:g} s.",
                where=str(file),
                do="Record half a minute of the place at work, without speech."))  # fmt: skip
        noises.append(noise)
    if problems:
        raise FileRefused(problems)
    return noises


def _silent(samples: Samples) -> bool:
    return bool(np.abs(samples).max(initial=0.0) < QUIETEST_PEAK)


def _lines(cell: Cell) -> list[str]:
    with Assembly(cell, remember=False) as parts:
        return sorted({text for _, _, text, _ in parts.spoken_lines()})


def _enrolled(cell: Cell) -> list[Recording]:
    return [
        Recording(phrase, _samples(path), f"enrolled: {name}")
        for name, takes in sorted(enrolled(cell).items())
        for phrase, path in takes
    ]


def _corrected(cell: Cell) -> list[Recording]:
    if not cell.history_file.exists():
        return []
    with History(cell.history_file, keep_audio_days=cell.keep_audio_days) as history:
        return [
            Recording(example.phrase, example.samples, "corrected verdicts")
            for example in history.corrected()
        ]


def _voice_samples(cell: Cell, folders: Sequence[Path]) -> list[Recording]:
    """``word-1.wav`` and the like; every file has to name a phrase of the cell."""
    phrases = {phrase.replace(" ", "_"): phrase for phrase in words_of(cell)}
    recordings, problems = [], []
    for folder in folders:
        files = sorted(folder.iterdir()) if folder.is_dir() else []
        sounds = [file for file in files if file.suffix.lower() in (".wav", ".flac")]
        if not sounds:
            problems.append(Problem(
                "No sound files are there.", where=str(folder),
                do="Name them word-1.wav, word-2.wav and so on."))  # fmt: skip
        for file in sounds:
            name = re.sub(r"-\d+$", "", file.stem).lower()
            if name in phrases:
                source, samples = f"folder: {folder.name}", _samples(file)
                recordings.append(Recording(phrases[name], samples, source))
                if _silent(samples):
                    problems.append(Problem(
                        "Nothing is said in it.", where=str(file), do="Record it again."))
            else:
                problems.append(Problem(
                    f"{name!r} is no phrase of this cell.", where=str(file),
                    do=advice(name, phrases)))  # fmt: skip
    if problems:
        raise FileRefused(problems)
    return recordings


def summary(tuned: Tuned) -> list[str]:
    """What was made and how it did on voices it had not learnt from, in a few lines."""
    notes = tuned.notes
    lines = [
        f"{tuned.path}: {len(notes['phrases'])} phrases, "
        f"{sum(notes['examples'].values())} examples ("
        + ", ".join(f"{family} {count}" for family, count in sorted(notes["examples"].items()))
        + ")"
    ]
    for name, title in (("both", "with the grammar"), ("second_opinion", "by sound alone")):
        lines.append(f"{title}, each family of voices held out (acted on from"
                     f" {notes['measured'][name]['act_from']:.0%}):")  # fmt: skip
        for rate in notes["measured"][name]["rates"]:
            low, high = rate["snr_db"]
            if rate["said"]:
                span = f"{low:g} to {high:g} dB" if low > -50 else f"below {high:g} dB"
                span = span if high < 50 else f"above {low:g} dB"
                lines.append(
                    f"  {rate['family']:>8} {span:>14}: nearest {rate['nearest_right']} of"
                    f" {rate['said']}, acted on rightly {rate['acted_right']}, wrongly"
                    f" {rate['acted_wrong']}; other sounds {rate['outside_acted']} of"
                    f" {rate['outside']}"
                )
    lines.append("Try it on recordings of the place: tablevoice evaluate.")
    return lines
