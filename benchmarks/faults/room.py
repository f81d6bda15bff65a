"""The sound of a bench: a loudspeaker and a room with a microphone in it, apart.

Each is the null sink of a PulseAudio server of its own, so that nothing takes the place of
one that is unplugged. What the table plays can be recorded at the one; into the other a
visitor's recorded words are played.
"""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import numpy as np

from tests.sound_path import SoundServer

FIXTURES = Path(__file__).resolve().parents[2] / "audio_fixtures"
SOUNDS_ABOVE = 0.01
"""Full scale is 1: far below any line, far above the silence of a null sink."""

DEVICES = """\
pcm.loudspeaker {{ type pulse server "unix:{speaker}" device "cell" }}
pcm.microphone {{ type pulse server "unix:{room}" device "cell.monitor" }}
"""


class Socket:
    """Where a device is plugged in: a sound server whose one sink goes and comes back."""

    def __init__(self, folder: Path) -> None:
        self.server = SoundServer(folder)
        self._plugged = False

    @property
    def environment(self) -> dict[str, str]:
        return self.server.environment

    def start(self) -> None:
        self.server.start()
        self._plugged = True

    def kill(self) -> None:
        self.server.kill()
        self._plugged = False

    def stop(self) -> None:
        self.server.stop()

    def plug(self) -> None:
        """The device is there (again); harmless when it is there already."""
        if not self._plugged:
            self._pactl("load-module", "module-null-sink", "sink_name=cell")
            self.server.keep_steady()
            self._plugged = True

    def unplug(self) -> None:
        """The device is gone, and what played into it or listened to it with it."""
        self._pactl("unload-module", "module-null-sink")
        self.server.end_steady()
        self._plugged = False

    def _pactl(self, *words: str) -> None:
        subprocess.run(
            ["pactl", *words], env=self.environment, capture_output=True, check=True, timeout=20
        )


class SoundRoom:
    """Loudspeaker and microphone of a bench; a context manager."""

    def __init__(self, folder: Path) -> None:
        self._home = folder
        self.speaker = Socket(folder / "speaker")
        self.microphone = Socket(folder / "room")

    @property
    def environment(self) -> dict[str, str]:
        """For the table's process, whose devices are ``loudspeaker`` and ``microphone``."""
        return {**self.speaker.environment, "HOME": str(self._home)}

    def __enter__(self) -> SoundRoom:
        self.start()
        devices = DEVICES.format(
            speaker=self.speaker.server.socket, room=self.microphone.server.socket
        )
        (self._home / ".asoundrc").write_text(devices, encoding="utf-8")
        return self

    def __exit__(self, *_: object) -> None:
        self.speaker.stop()
        self.microphone.stop()

    def start(self) -> None:
        """Both servers, each with its sink."""
        self.speaker.start()
        self.microphone.start()

    def kill(self) -> None:
        """Both servers crash."""
        self.speaker.kill()
        self.microphone.kill()

    def visitor_says(self, word: str, *, wait: bool = True) -> None:
        """A recorded word of the fixtures is played into the room."""
        playing = subprocess.Popen(
            ["paplay", str(FIXTURES / f"visitor_{word}.flac")],
            env=self.microphone.environment,
            stderr=subprocess.DEVNULL,
        )
        if wait:
            playing.wait(30)

    def listen(self) -> Listening:
        """Begin to record what the loudspeaker plays."""
        return Listening(self.speaker.environment)


class Listening:
    """A recording of the loudspeaker, as a context manager; ``sounded`` after it."""

    def __init__(self, environment: dict[str, str]) -> None:
        self.sounded = False
        self._recorder = subprocess.Popen(
            [
                *("parec", "--raw", "--latency-msec=50", "--device=cell.monitor"),
                *("--format=float32le", "--rate=16000", "--channels=1"),
            ],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )

    def __enter__(self) -> Listening:
        assert self._recorder.stdout is not None
        self._recorder.stdout.read(4 * 1600)  # 0.1 s: it runs
        return self

    def __exit__(self, *_: object) -> None:
        time.sleep(0.3)  # what was played last is still on its way
        self._recorder.terminate()
        assert self._recorder.stdout is not None
        data = self._recorder.stdout.read()
        self._recorder.wait(10)
        samples = np.frombuffer(data[: len(data) // 4 * 4], np.float32)
        self.sounded = bool(np.max(np.abs(samples), initial=0.0) > SOUNDS_ABOVE)
