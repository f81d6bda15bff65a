"""Owns the microphone: gives 16 kHz mono blocks with the time of each, whatever the device.

Knows the input stream, resampling and what to do when nobody reads; does not know
what is said. Called by the session, which feeds the blocks to the ear.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
import soxr

from tablevoice.audio.devices import (
    Device,
    choose_device,
    latency_s,
    load_portaudio,
    open_stream,
    seen_from_outside,
)
from tablevoice.audio.kept_stream import KeptStream
from tablevoice.errors import Problem
from tablevoice.model import LISTENING_RATE_HZ, Samples

BLOCK_S = 0.032
WAITING_S = 4.0
"""So much sound waits for a slow reader before the oldest goes."""
_RAW_BLOCKS = 1_000
_JUMP_S = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class MicrophoneBlock:
    """``samples`` (16 kHz) from number ``start_sample`` on, in the air from ``start_s`` on.

    ``start_sample`` counts from the opening and leaps over what was lost, so two blocks
    are neighbours if and only if their counts are. ``start_s`` is on the clock of
    ``time.monotonic``.
    """

    samples: Samples
    start_sample: int
    start_s: float


class Microphone:
    """The microphone of a table; a context manager that opens it and keeps it open.

    Iterating gives blocks of ``block_s`` until it is closed. A reader that falls behind
    by more than 4 s loses the oldest blocks, counted in ``dropped_blocks``; the device
    never waits. ``on_lost`` and ``on_back`` come from the microphone's own thread.
    """

    def __init__(
        self,
        device: str | int = "default",
        latency: str | float = "high",
        *,
        block_s: float = BLOCK_S,
        on_lost: Callable[[Problem], None] | None = None,
        on_back: Callable[[], None] | None = None,
    ) -> None:
        self.block_samples = round(block_s * LISTENING_RATE_HZ)
        if self.block_samples <= 0:
            raise ValueError(f"a block of {block_s} s holds no sample")
        self.dropped_blocks = 0
        self.overflows = 0
        self._device = device
        self._latency = latency
        self._stream = KeptStream(
            "microphone", self._open, self._cut, self._drop, on_lost, on_back,
            seen=lambda: seen_from_outside(device, "input"),
        )  # fmt: skip
        self._raw: deque[tuple[Samples, float]] = deque()
        self._ready: deque[MicrophoneBlock] = deque()
        self._most_ready = max(2, round(WAITING_S * LISTENING_RATE_HZ / self.block_samples))
        self._news = threading.Condition()
        self._closed = True
        self._resampler: soxr.ResampleStream | None = None
        self._rate_hz = LISTENING_RATE_HZ
        self._rest: list[Samples] = []
        self._rest_n = 0
        self._count = 0  # samples that left as blocks or were leapt over
        self._origin_s: float | None = None  # when sample 0 was (or would have been) in the air
        self._leap = False

    def __enter__(self) -> Microphone:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[MicrophoneBlock]:
        while True:
            block = self.read(1.0)
            if block is not None:
                yield block
            elif self._closed:
                return

    def open(self) -> None:
        """Open the device; raises :class:`AudioUnavailable` if that cannot be done now."""
        self._stream.start()
        self._closed = False

    def close(self) -> None:
        """Close the device; a reader that waits gets ``None``."""
        self._stream.stop()
        with self._news:
            self._closed = True
            self._news.notify_all()

    @property
    def is_open(self) -> bool:
        """False while the device is lost."""
        return self._stream.is_open

    @property
    def losses(self) -> int:
        """How often the device was lost since it was opened."""
        return self._stream.losses

    @property
    def thread_alive(self) -> bool:
        """Whether the thread that keeps the device open lives."""
        return self._stream.thread_alive

    def read(self, timeout_s: float) -> MicrophoneBlock | None:
        """The oldest block that waits; ``None`` if none comes in time or it was closed."""
        with self._news:
            self._news.wait_for(lambda: self._ready or self._closed, timeout_s)
            return self._ready.popleft() if self._ready else None

    def _open(self) -> Any:
        device = choose_device(self._device, "input")
        latency = latency_s(self._latency, device, "input")
        self._rate_hz, channels = _accepted(device)
        self._resampler = None
        if self._rate_hz != LISTENING_RATE_HZ:
            self._resampler = soxr.ResampleStream(
                self._rate_hz, LISTENING_RATE_HZ, 1, dtype="float32"
            )
        self._raw.clear()

        def build(sounddevice: ModuleType) -> Any:
            return sounddevice.InputStream(
                device=device.index,
                samplerate=self._rate_hz,
                channels=channels,
                dtype="float32",
                latency=latency,
                callback=self._take,
                finished_callback=self._stream.wake,
            )

        return open_stream(build, device.name)

    def _take(self, samples: Any, frames: int, moment: Any, status: Any) -> None:
        """PortAudio's thread: puts a copy aside for the owner's thread and returns."""
        now_s = time.monotonic()
        self._stream.last_sign_s = now_s
        if status.input_overflow:
            self.overflows += 1
        age_s = moment.currentTime - moment.inputBufferAdcTime
        if not 0.0 <= age_s < 5.0:  # some drivers tell no time
            age_s = frames / self._rate_hz
        if len(self._raw) >= _RAW_BLOCKS:
            self.overflows += 1
            self._leap = True
            return
        self._raw.append((samples.copy(), now_s - age_s))
        self._stream.wake()

    def _cut(self) -> float:
        """Owner's thread: resample what came and cut it into blocks."""
        while self._raw:
            raw, start_s = self._raw.popleft()
            mono: Samples = raw[:, 0] if raw.shape[1] == 1 else raw.mean(axis=1)
            if self._resampler is not None:
                mono = np.asarray(self._resampler.resample_chunk(mono), dtype=np.float32)
            self._keep_time(start_s)
            if len(mono):
                self._rest.append(mono)
                self._rest_n += len(mono)
            if self._rest_n >= self.block_samples:
                self._hand_over(np.concatenate(self._rest))
        return 1.0

    def _hand_over(self, waiting: Samples) -> None:
        n = self.block_samples
        origin_s = self._origin_s if self._origin_s is not None else 0.0
        with self._news:
            while len(waiting) >= n:
                start_s = origin_s + self._count / LISTENING_RATE_HZ
                self._ready.append(MicrophoneBlock(waiting[:n].copy(), self._count, start_s))
                self._count += n
                waiting = waiting[n:]
                if len(self._ready) > self._most_ready:
                    self._ready.popleft()
                    self.dropped_blocks += 1
            self._news.notify_all()
        self._rest, self._rest_n = [waiting.copy()], len(waiting)

    def _keep_time(self, start_s: float) -> None:
        """Hold the count of samples against the clock that dates each delivery.

        The two drift by some 50 millionths; single dates jitter by tens of milliseconds.
        So the count rules, eased towards the clock, and leaps only after a loss.
        """
        told_s = start_s - (self._count + self._rest_n) / LISTENING_RATE_HZ
        if self._origin_s is None:
            self._origin_s = told_s
        elif self._leap and told_s - self._origin_s > 0.0:
            missing = round((told_s - self._origin_s) * LISTENING_RATE_HZ)
            self._count += self._rest_n + missing
            self._rest, self._rest_n = [], 0
        elif abs(told_s - self._origin_s) > _JUMP_S:
            self._origin_s = told_s  # the computer slept, or the driver's dates leapt
        else:
            self._origin_s += 0.002 * (told_s - self._origin_s)
        self._leap = False

    def _drop(self) -> None:
        """The stream is gone: what comes after it is no neighbour of what came before."""
        self._leap = True


def _accepted(device: Device) -> tuple[int, int]:
    """Rate and channels that the device takes, 16 kHz mono if at all possible."""
    sounddevice = load_portaudio()
    most = min(2, device.inputs)
    for rate_hz, channels in (
        (LISTENING_RATE_HZ, 1),
        (device.rate_hz, 1),
        (LISTENING_RATE_HZ, most),
    ):
        try:
            sounddevice.check_input_settings(
                device=device.index, channels=channels, samplerate=rate_hz, dtype="float32"
            )
        except sounddevice.PortAudioError:
            continue
        return rate_hz, channels
    return device.rate_hz, most
