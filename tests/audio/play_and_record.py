"""A child process of the sound path tests: plays a file, records the microphone, reports.

``python -m tests.audio.play_and_record FOLDER SCENARIO``: plays FOLDER/in.wav, writes
FOLDER/out.wav and FOLDER/report.json; speaks with its parent by lines on stdin/stdout.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

import tablevoice.audio.microphone as microphones
from tablevoice.audio.clip_files import read_clip, write_clip
from tablevoice.audio.loudspeaker import Loudspeaker
from tablevoice.audio.microphone import Microphone, MicrophoneBlock
from tablevoice.errors import Problem
from tablevoice.model import Clip

PATIENCE_S = 30.0


def say(word: str) -> None:
    print(word, flush=True)


class Recording:
    """Keeps every block of a microphone, in a thread of its own."""

    def __init__(self, microphone: Microphone) -> None:
        self.blocks: list[MicrophoneBlock] = []
        self._microphone = microphone
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        self.blocks.extend(self._microphone)

    def wait_for(self, seconds: float) -> None:
        """Wait until so much more sound came, however slow this machine is."""
        wanted = len(self.blocks) + round(seconds / 0.032)
        end_s = time.monotonic() + PATIENCE_S
        while len(self.blocks) < wanted and time.monotonic() < end_s:
            time.sleep(0.01)

    def clip(self) -> Clip:
        return Clip(np.concatenate([b.samples for b in self.blocks]), 16_000)


class Play:
    """One clip played, and what was told about it."""

    def __init__(self, loudspeaker: Loudspeaker, clip: Clip) -> None:
        self.started = threading.Event()
        self.ended = threading.Event()
        self.told: list[tuple[str, float]] = []
        self.asked_s = time.monotonic()
        loudspeaker.play(clip, self._start, self._end)

    def _start(self) -> None:
        self.told.append(("started", time.monotonic() - self.asked_s))
        self.started.set()

    def _end(self, cut: bool) -> None:
        self.told.append(("cut" if cut else "ended", time.monotonic() - self.asked_s))
        self.ended.set()


def main() -> None:
    folder, scenario = Path(sys.argv[1]), sys.argv[2]
    clip = read_clip(folder / "in.wav")
    report: dict[str, Any] = {"problems": [], "back": 0}
    gone, back = threading.Event(), threading.Event()

    def lost(problem: Problem) -> None:
        report["problems"].append(str(problem))
        gone.set()

    if scenario == "native rate":  # as with a device that takes neither 16 kHz nor mono
        microphones._accepted = lambda device: (device.rate_hz, 2)
    # a roomy buffer where every sample is compared: other work on this machine may not show
    latency = 0.3 if scenario in ("whole", "native rate") else "high"
    mic_back = threading.Event()
    with (
        Microphone("pulse", latency, on_back=mic_back.set) as microphone,
        Loudspeaker("pulse", latency, on_lost=lost, on_back=back.set) as loudspeaker,
    ):
        recording = Recording(microphone)
        recording.wait_for(0.4)
        if scenario in ("whole", "native rate"):
            play = Play(loudspeaker, clip)
            play.ended.wait(PATIENCE_S)
            reference = loudspeaker.played_reference(16_000)
            recording.wait_for(0.6)
            write_clip(folder / "reference.wav", Clip(reference.samples, 16_000))
            report["reference_end_s"] = reference.end_s
        elif scenario == "cut":
            play = Play(loudspeaker, clip)
            play.started.wait(PATIENCE_S)
            recording.wait_for(0.6)
            before_s = time.monotonic()
            report["cut"] = loudspeaker.cut()
            play.ended.wait(PATIENCE_S)
            report["cut_took_s"] = time.monotonic() - before_s
            recording.wait_for(0.8)
            report["cut_again"] = loudspeaker.cut()
        elif scenario == "replace":
            first = Play(loudspeaker, clip)
            first.started.wait(PATIENCE_S)
            play = Play(loudspeaker, clip)
            play.ended.wait(PATIENCE_S)
            report["first"] = first.told
        elif scenario == "lost":
            play = Play(loudspeaker, clip)
            play.started.wait(PATIENCE_S)
            say("PLAYING")
            gone.wait(PATIENCE_S)
            play.ended.wait(PATIENCE_S)
            report["first"] = play.told
            say("LOST")
            back.wait(PATIENCE_S)
            mic_back.wait(PATIENCE_S)
            say("BACK")
            recording.wait_for(0.3)
            report["after"] = len(recording.blocks)
            play = Play(loudspeaker, clip)
            play.ended.wait(PATIENCE_S)
            recording.wait_for(0.6)
        elif scenario == "slow reader":
            play = Play(loudspeaker, clip)
            with Microphone("pulse") as unread:
                play.ended.wait(PATIENCE_S)
                report["unread_dropped"] = unread.dropped_blocks
                oldest = unread.read(1.0)
                report["unread_first"] = -1 if oldest is None else oldest.start_sample
        else:
            raise SystemExit(f"no scenario {scenario}")
        report["told"] = play.told
        report["asked_s"] = play.asked_s
        report["underflows"] = loudspeaker.underflows
        report["losses"] = [loudspeaker.losses, microphone.losses]
        report["dropped"] = microphone.dropped_blocks
        report["overflows"] = microphone.overflows
    report["starts"] = [b.start_sample for b in recording.blocks]
    report["times_s"] = [b.start_s for b in recording.blocks]
    write_clip(folder / "out.wav", recording.clip())
    (folder / "report.json").write_text(json.dumps(report))
    say("DONE")


if __name__ == "__main__":
    main()
