"""A cell with a few words and the tuned file that the command line made for it.

Made once for all tests, with few examples and three kinds of noise: enough to tell what
works from what does not, far from what a real ``tune`` gives.
"""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path
from unittest.mock import patch

import numpy as np
from typer.testing import CliRunner, Result

from tablevoice.audio.clip_files import write_clip
from tablevoice.cell import Cell, load_cell
from tablevoice.cli import app
from tablevoice.commands import tuning_up
from tablevoice.history import History
from tablevoice.model import Clip, Heard, Hypothesis, Match, Samples, Verdict
from tablevoice.tuning.examples import Amounts
from tests.listening.speech_clips import noise, silence, spoken

BOOK = """
format: 1
title: Small
language: en
pronounce: {Zaffre: Z AE F ER}
events:
  lit: {about: Lit., lines: ["It is lit.", "Another one is up.", "Teal"]}
  paused: {about: Held., priority: warning, lines: [Asked to wait.]}
questions:
  colour: {answers: {teal: [teal], zaffre: [zaffre]}}
standing:
  pause: {phrases: [pause], says: paused}
  stop: {phrases: [hold on], says: paused}
"""
CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite, keep_audio_days: 30}
"""
PHRASES = ("hold on", "no", "pause", "teal", "yes", "zaffre")
KINDS = ("pink", "hum", "fan")
FEW = Amounts(
    each_command=18, near_each=2, near_speakers=1, parts_speakers=1, carried_each=1, sentences=10,
    words=45, lines=5, noises=12, alone=4, each_recording=1, loudest_noise_db=6.0,
)  # fmt: skip


def write_cell(folder: Path) -> Path:
    """The two files in a folder, with no tuned file. Gives the cell file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
    return folder / "cell.yaml"


def copied(tuned: Path, folder: Path) -> Path:
    """The cell and its tuned file elsewhere, to be spoilt. Gives the cell file."""
    cell_file = write_cell(folder)
    shutil.copy(tuned.with_suffix(".tuned.onnx"), cell_file.with_suffix(".tuned.onnx"))
    return cell_file


def around(samples: Samples, rms: float = 0.002) -> Samples:
    """The sound with half a second of a quiet room on both sides."""
    heard = np.concatenate((silence(0.5), samples, silence(0.8)))
    return np.asarray(heard + noise(len(heard), rms), np.float32)


def tablevoice(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def tune(*arguments: object, amounts: Amounts = FEW) -> Result:
    """``tablevoice tune`` as it is, but with few examples."""
    small = partial(tuning_up.tune_cell, amounts=amounts, kinds=KINDS)
    with patch.object(tuning_up, "tune_cell", small):
        return tablevoice("tune", *arguments, "--workers", 2)


def corrected_verdict(cell: Cell, sound: Samples, said: str) -> None:
    """What was heard wrongly, kept with consent, and put right later."""
    heard = Heard(Hypothesis("pause", 0.9, True), 1.0, 2.0, -20.0)
    with History(cell.history_file, keep_audio_days=cell.keep_audio_days) as history:
        history.begin_session(cell.table, "test")
        match, clip = Match(None, "", 0.0, 0.0), Clip(sound, 16_000)
        history.record_heard(2.0, heard, match, Verdict.IGNORE, clip, utterance="1-1")
        assert history.correct("1-1", said) is not None


def made(folder: Path) -> tuple[Path, Result]:
    """A cell with everything that a tuning reads, tuned. Gives the cell file and the printout."""
    cell_file = write_cell(folder)
    cell = load_cell(cell_file)
    takes, own, room = folder / "takes", folder / "own", folder / "room.wav"
    takes.mkdir()
    own.mkdir()
    for number in (1, 2, 3):
        write_clip(takes / f"teal-{number}.wav", Clip(around(spoken("teal")), 16_000))
    write_clip(own / "hold_on-1.wav", Clip(around(spoken("hold on", "en-gb")), 16_000))
    write_clip(own / "Zaffre-12.flac", Clip(around(spoken("zaffer", "en-gb")), 16_000))
    write_clip(room, Clip(noise(44_100 * 4, 0.05, "pink"), 44_100))
    enrolled = tablevoice("enrol", cell_file, "Briar", "--from", takes, "--word", "teal",
                          "--consent")  # fmt: skip
    assert enrolled.exit_code == 0, enrolled.output
    corrected_verdict(cell, around(spoken("pause", "en-us+f2")), "pause")
    return cell_file, tune(cell_file, "--noise", room, "--voice-samples", own, "--seed", 7)
