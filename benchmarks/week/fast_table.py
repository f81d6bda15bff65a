"""``python -m benchmarks.week.fast_table run CELL``: tablevoice's command line on a fast clock.

Takes orders, one JSON object a line, on the Unix socket named in ``WEEK_CONTROL``: a word to
hear, a device to lose, the recogniser to fail.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import sys
import threading
from pathlib import Path
from types import ModuleType
from typing import Any

from benchmarks.week.fast_clock import FastClock, FastLoops, speed_of
from benchmarks.week.fast_sound import FastLoudspeaker, FastMicrophone
from tablevoice import live_ear, session
from tablevoice.audio.clip_files import read_clip, to_rate
from tablevoice.listening.pocketsphinx_recogniser import PocketSphinxRecogniser
from tablevoice.model import LISTENING_RATE_HZ, Samples

CONTROL = "WEEK_CONTROL"
FIXTURES = Path(__file__).resolve().parents[2] / "audio_fixtures"


class Stage:
    """The devices of this process and what has been ordered of them."""

    def __init__(self, clock: FastClock) -> None:
        self.clock = clock
        self._loudspeaker: FastLoudspeaker | None = None
        self._microphone: FastMicrophone | None = None
        self._words: dict[str, Samples] = {}
        self._fails = False

    def loudspeaker(self, *_: object, on_lost: Any = None) -> FastLoudspeaker:
        self._loudspeaker = FastLoudspeaker(self.clock, on_lost)
        return self._loudspeaker

    def microphone(self, *_: object, on_lost: Any = None) -> FastMicrophone:
        self._microphone = FastMicrophone(self.clock, on_lost)
        return self._microphone

    def fail_if_told(self) -> None:
        if self._fails:
            self._fails = False
            raise RuntimeError("the recogniser's library says no")

    def obey(self, order: dict[str, Any]) -> None:
        match order:
            case {"say": str(word)}:
                if word not in self._words:
                    clip = read_clip(FIXTURES / f"visitor_{word}.flac")
                    self._words[word] = to_rate(clip, LISTENING_RATE_HZ).samples
                if self._microphone is not None:
                    self._microphone.say(self._words[word])
            case {"loudspeaker": bool(there)}:
                if self._loudspeaker is not None:
                    self._loudspeaker.plug(there)
            case {"microphone": bool(there)}:
                if self._microphone is not None:
                    self._microphone.plug(there)
            case {"recogniser": "fails"}:
                self._fails = True
            case _:
                raise ValueError(f"no such order: {order}")


def put(module: ModuleType, **stand_ins: object) -> None:
    """Have a module use these under the names by which it knows the real ones."""
    for name, stand_in in stand_ins.items():
        if not hasattr(module, name):
            raise AttributeError(f"{module.__name__} has no {name} any more")
        setattr(module, name, stand_in)


def main(arguments: list[str]) -> None:
    from tablevoice.cli import app

    clock = FastClock(speed_of(os.environ))
    stage = Stage(clock)
    put(session, time=clock, Loudspeaker=stage.loudspeaker, Microphone=stage.microphone)
    put(live_ear, time=clock)
    start = PocketSphinxRecogniser.start

    def obey(self: PocketSphinxRecogniser) -> None:
        stage.fail_if_told()
        start(self)

    PocketSphinxRecogniser.start = obey  # type: ignore[method-assign]
    control = socket.socket(socket.AF_UNIX)
    control.connect(os.environ[CONTROL])

    def listen() -> None:
        with control.makefile() as orders:
            for line in orders:
                stage.obey(json.loads(line))

    threading.Thread(target=listen, name="orders", daemon=True).start()
    asyncio.set_event_loop_policy(FastLoops(clock))
    app(arguments)


if __name__ == "__main__":
    main(sys.argv[1:])
