"""Makes the recordings in this folder anew: ``python -m audio_fixtures.make``.

A visitor's words in a voice that no cell of the project uses, at the levels and with
the silence around them that a person leaves. Every sample comes from espeak-ng; the
manifest says so for each file.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from tablevoice.audio.clip_files import to_rate, write_clip
from tablevoice.model import LISTENING_RATE_HZ, Clip, Voice
from tablevoice.speech.engines import Engine

FOLDER = Path(__file__).parent
VISITOR = Voice("visitor", voice="en-us+f3", rate_wpm=140)
WORDS = ("teal", "violet", "pause", "stop", "yes", "no")
OUTSIDE = ("window", "garage")
SILENCE_S = 0.3
LICENCE = "output of espeak-ng, free of its licence; the recording is Apache-2.0 like the project"


def main() -> None:
    rows = [("file", "made_by", "licence", "what")]
    with Engine() as engine:
        maker = f"{engine.version()} voice {VISITOR.voice}, {VISITOR.rate_wpm} wpm; make.py"
        for word in (*WORDS, *OUTSIDE):
            spoken = to_rate(engine.render(word, VISITOR), LISTENING_RATE_HZ)
            silence = np.zeros(round(SILENCE_S * LISTENING_RATE_HZ), np.float32)
            samples = np.concatenate((silence, spoken.samples, silence))
            write_clip(FOLDER / f"visitor_{word}.flac", Clip(samples, LISTENING_RATE_HZ))
            rows.append((f"visitor_{word}.flac", maker, LICENCE, f"the word “{word}”"))
    (FOLDER / "not_a_sound.wav").write_text("This is a text that calls itself a WAV file.\n")
    rows.append(("not_a_sound.wav", "make.py", "Apache-2.0", "a WAV that isn't one"))
    with (FOLDER / "MANIFEST.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    main()
