"""Lets the demo be heard where there is a loudspeaker, and says so where there is none.

Plays what a person at the table would hear, block by block; waiting for the sound card
is what slows the simulated room down to real time. Knows nothing of the scenario.
"""

from __future__ import annotations

from types import ModuleType, TracebackType
from typing import Any

from tablevoice.acoustics.room import Block
from tablevoice.audio.devices import choose_device, close_stream, latency_s, open_stream
from tablevoice.errors import AudioUnavailable

RATE_HZ = 24_000
"""The room's rate of what is heard at the table."""


class Playback:
    """A loudspeaker, or none; ``says`` tells which in one line. A context manager."""

    def __init__(self, stream: Any, says: str) -> None:
        self.says = says
        self._stream = stream

    @classmethod
    def open(cls, quiet: bool) -> Playback:
        """The default loudspeaker; without one, or when ``quiet``, nothing is played."""
        if quiet:
            return cls(None, "Rendering to files only.")
        try:
            device = choose_device("default", "output")
            buffer_s = latency_s("high", device, "output")

            def build(sounddevice: ModuleType) -> Any:
                return sounddevice.OutputStream(
                    device=device.index, samplerate=RATE_HZ, channels=1, dtype="float32",
                    latency=buffer_s,
                )  # fmt: skip

            return cls(open_stream(build, device.name), f"Playing through {device.name}.")
        except AudioUnavailable as error:
            reason = error.problem.what.rstrip(".")
            return cls(None, f"No loudspeaker ({reason}): rendering to files only.")

    def pace(self, block: Block) -> None:
        """Play a block; returns when the sound card has room for it."""
        if self._stream is None:
            return
        try:
            self._stream.write(block.heard_at_table.reshape(-1, 1))
        except Exception as error:  # PortAudio's own errors are known only once it is loaded
            if type(error).__name__ != "PortAudioError":
                raise
            self._close()  # the loudspeaker went away: the rest is rendered

    def __enter__(self) -> Playback:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    def _close(self) -> None:
        if self._stream is not None:
            stream, self._stream = self._stream, None
            close_stream(stream)
