"""Shows what the ear hears, live: the level, and each utterance with its certainty.

Everything that the phrasebook lets a person say is allowed at once, so that a voice or
a room can be tried without playing through a session. Called by ``tablevoice listen``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.live import Live
from rich.text import Text

from tablevoice.acoustics.levels import rms_dbfs
from tablevoice.assembly import Assembly
from tablevoice.audio.clip_files import read_clip, to_rate
from tablevoice.audio.microphone import BLOCK_S, Microphone
from tablevoice.cell import Cell
from tablevoice.listening.judging import decide
from tablevoice.listening.matching import match
from tablevoice.model import LISTENING_RATE_HZ, Heard, Samples, StandingKind, Verdict
from tablevoice.phrasebook.phrases import meanings_of, standing_phrases

QUIETEST_DBFS, LOUDEST_DBFS = -70.0, 0.0
METER = 30
TAIL_S = 1.0

_COLOURS = {
    Verdict.ACT: "green",
    Verdict.CONFIRM: "yellow",
    Verdict.ASK_AGAIN: "yellow",
    Verdict.IGNORE: "bright_black",
}
_WORDS = {
    Verdict.ACT: "acted on",
    Verdict.CONFIRM: "to be confirmed",
    Verdict.ASK_AGAIN: "asked again",
    Verdict.IGNORE: "ignored",
}


def listen_in(cell: Cell, file: Path | None, console: Console) -> None:
    """Listen to the microphone until interrupted, or to a sound file to its end.

    Raises TablevoiceError when there is no microphone, recogniser or file.
    """
    meanings = meanings_of(cell.phrasebook)
    with Assembly(cell, remember=False) as parts, ExitStack() as open_parts:
        ear = parts.open_ear()
        ear.allow(meanings, meanings, standing_phrases(cell.phrasebook, StandingKind.HOLDS))
        if file is None:
            microphone = open_parts.enter_context(
                Microphone(cell.microphone.device, cell.microphone.latency)
            )
            blocks: Iterator[Samples] = (block.samples for block in microphone)
            console.print("Listening. Ctrl-C ends it.")
            live = open_parts.enter_context(Live(console=console, transient=True))
        else:
            blocks, live = _blocks(file), None
        now_s = 0.0
        for samples in blocks:
            now_s += len(samples) / LISTENING_RATE_HZ
            if live is not None:
                live.update(_meter(rms_dbfs(samples), ear.in_speech))
            for heard in ear.feed(samples, now_s):
                console.print(_line(heard, meanings, cell), soft_wrap=True)


def _line(heard: Heard, meanings: Mapping[str, str], cell: Cell) -> Text:
    judged = decide(match(heard.hypothesis, meanings, heard.probabilities), cell.listening)
    found, verdict = judged.match, judged.verdict
    what = found.meaning if found.meaning is not None else "nothing known"
    second = f", next {found.runner_up}" if found.runner_up else ""
    return Text(
        f"{heard.start_s:7.1f} s  {what:<14} {found.score:4.0%}  {_WORDS[verdict]:<15}"
        f" {heard.level_dbfs:5.0f} dBFS  “{heard.hypothesis.text}”{second}",
        style=_COLOURS[verdict],
    )


def _meter(level_dbfs: float, in_speech: bool) -> Text:
    share = (max(level_dbfs, QUIETEST_DBFS) - QUIETEST_DBFS) / (LOUDEST_DBFS - QUIETEST_DBFS)
    bar = "█" * round(min(1.0, share) * METER)
    speech = "speech" if in_speech else ""
    return Text(f"{bar:<{METER}} {level_dbfs:5.0f} dBFS  {speech}")


def _blocks(file: Path) -> Iterator[Samples]:
    samples = to_rate(read_clip(file), LISTENING_RATE_HZ).samples
    step = round(BLOCK_S * LISTENING_RATE_HZ)
    for start in range(0, len(samples), step):
        yield samples[start : start + step]
    for _ in range(round(TAIL_S / BLOCK_S)):  # silence, so that the last word ends
        yield np.zeros(step, np.float32)
