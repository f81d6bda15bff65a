"""What a table makes of words meant for it and of talk that is not, in shop noise.

Through the whole ear: endpointing, recogniser, certainty, matching, judge, with the demo's
four colours and standing commands. The voices here were used neither to fit the certainty
nor to set its rules nor to choose the colours' voices; they are synthetic all the same.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from benchmarks.colour_words import wilson
from tablevoice.acoustics.levels import active_level_dbfs, with_gain
from tablevoice.acoustics.noise import shop_noise
from tablevoice.audio.clip_files import to_rate
from tablevoice.cell import ListeningChoice, load_cell
from tablevoice.listening.ear import Ear
from tablevoice.listening.judging import decide
from tablevoice.listening.matching import match
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import LISTENING_RATE_HZ, Samples, Verdict, Voice
from tablevoice.shipped import shipped
from tablevoice.speech.engines import Engine
from tablevoice.speech.store import PreparedStore

VOICES = tuple(
    Voice("visitor", voice=name, rate_wpm=rate_wpm, pitch=pitch)
    for name, rate_wpm, pitch in (
        ("en-us+m2", 145, 45), ("en-us+f1", 150, 60), ("en-gb-scotland+f2", 150, 55),
        ("en-us+klatt", 150, 50), ("en-gb-x-rp+m5", 150, 50), ("en-029+f3", 150, 60),
        ("en-us+m8", 150, 40), ("en-us-nyc+f2", 150, 50), ("en-gb-x-gbclan+m1", 150, 50),
        ("en-us+croak", 140, 40),
    )
)  # fmt: skip
COMMANDS = ("pause", "stop", "repeat")
OUTSIDE = (
    "the weather was nice on sunday", "who wants some tea", "lunch", "window shopping",
    "my brother has a machine like this", "banana", "where is the bathroom", "that is funny",
    "sandwich", "mum can we go home",
)  # fmt: skip
SPEECH_DBFS = -26.0
LEVELS_DB = (None, 20, 14, 10)
"""Speech above the noise at the microphone; ``None``: digital silence."""


def measure() -> list[dict[str, Any]]:
    """A row for each level: what became of the words, and of the outside talk."""
    book = load_cell(shipped("lantern_table.yaml")).phrasebook
    answers = {p: a for a, phrases in book.questions["colour"].answers.items() for p in phrases}
    standing = {p: kind for kind, command in book.standing.items() for p in command.phrases}
    words = (*answers, *COMMANDS)
    rows = []
    with TemporaryDirectory() as folder, Engine() as engine:
        store = PreparedStore(Path(folder), 200)
        for level_db in LEVELS_DB:
            ear = Ear(open_recogniser("pocketsphinx"))
            ear.allow(tuple(answers), tuple(standing))
            sound = _Room(level_db)
            counts: Counter[str] = Counter()
            for voice in VOICES:
                for text in (*words, *OUTSIDE):
                    clip = to_rate(store.clip_for(text, voice, engine), LISTENING_RATE_HZ)
                    gain_db = SPEECH_DBFS - active_level_dbfs(clip.samples, clip.rate_hz)
                    samples = sound.around(with_gain(clip, gain_db).samples)
                    made = _made_of(ear, sound, samples, {**answers, **standing})
                    meant = text if text in words else None
                    counts[_outcome(meant, made)] += 1
            rows.append(_row(level_db, counts, len(VOICES) * len(words)))
    return rows


class _Room:
    """The stream: noise that goes on from word to word, and the time in it."""

    def __init__(self, level_db: float | None) -> None:
        n = 20 * LISTENING_RATE_HZ
        self._noise = np.zeros(n, np.float32)
        if level_db is not None:
            level_dbfs = SPEECH_DBFS - level_db
            self._noise = shop_noise(20.0, LISTENING_RATE_HZ, 7, level_dbfs=level_dbfs).samples
        self._at = 0
        self.now_s = 0.0

    def around(self, speech: Samples) -> Samples:
        whole = np.pad(speech, (12_000, 16_000))
        index = (np.arange(len(whole)) + self._at) % len(self._noise)
        self._at += len(whole)
        return np.asarray(whole + self._noise[index], dtype=np.float32)


def _made_of(
    ear: Ear, room: _Room, samples: Samples, phrases: dict[str, str]
) -> list[tuple[str | None, Verdict]]:
    made = []
    for start in range(0, len(samples), 512):
        block = samples[start : start + 512]
        room.now_s += len(block) / LISTENING_RATE_HZ
        for heard in ear.feed(block, room.now_s):
            found = match(heard.hypothesis, phrases, heard.probabilities)
            judged = decide(found, ListeningChoice())
            made.append((judged.match.meaning, judged.verdict))
    return made


def _outcome(meant: str | None, made: list[tuple[str | None, Verdict]]) -> str:
    """The boldest thing that was done."""
    side = "word" if meant is not None else "talk"
    for verdict in (Verdict.ACT, Verdict.CONFIRM, Verdict.ASK_AGAIN):
        meanings = [meaning for meaning, found in made if found is verdict]
        if meanings:
            wrong = meant is not None and verdict is not Verdict.ASK_AGAIN and meanings[0] != meant
            return f"{side} {verdict.value}{' wrong' if wrong else ''}"
    return f"{side} ignored"


def _row(level_db: float | None, counts: Counter[str], words: int) -> dict[str, Any]:
    talk = len(VOICES) * len(OUTSIDE)
    return {
        "level": "silence" if level_db is None else f"{level_db} dB",
        "right": wilson(counts["word act"], words),
        "confirm": counts["word confirm"],
        "ask again": counts["word ask_again"],
        "missed": counts["word ignored"],
        "wrong": counts["word act wrong"],
        "confirm wrong": counts["word confirm wrong"],
        "outside acted on": wilson(counts["talk act"], talk),
        "outside asked about": counts["talk confirm"] + counts["talk ask_again"],
    }


if __name__ == "__main__":
    for row in measure():
        print("  ".join(f"{key}: {value}" for key, value in row.items()))
