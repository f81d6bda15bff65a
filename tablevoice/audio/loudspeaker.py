"""Owns the loudspeaker: plays one clip at a time, cuts with a fade, remembers what it played.

Knows the output stream and when its samples are heard; does not know which line
should sound next: the speech queue decides that and calls here.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
import soxr

from tablevoice.audio.clip_files import to_rate
from tablevoice.audio.devices import choose_device, latency_s, open_stream, seen_from_outside
from tablevoice.audio.kept_stream import KeptStream
from tablevoice.errors import AudioUnavailable, Problem
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples

FADE_S = 0.010
REMEMBERED_S = 8.0
MOST_REFERENCE_S = 4.0
_LONGEST_CALLBACK_FRAMES = 1 << 16


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What the loudspeaker played: 16 kHz ``samples``; the last was heard at ``end_s``.

    ``end_s`` is on the clock of ``time.monotonic``, as far as the driver tells it truly.
    """

    samples: Samples
    end_s: float


@dataclass(slots=True, eq=False)
class _Playing:
    """A clip on its way through the callback. Only the callback moves ``at`` and the frames."""

    samples: Samples
    on_started: Callable[[], None] | None
    on_ended: Callable[[bool], None] | None
    at: int = 0
    cut_wanted: bool = False
    fade_from: int | None = None
    first_frame: int | None = None
    end_frame: int | None = None
    told_start: bool = False
    told_end: bool = False


class Loudspeaker:
    """The loudspeaker of a table; a context manager that opens it and keeps it open.

    ``device``: see :func:`~tablevoice.audio.devices.choose_device`. ``latency``: ``low``,
    ``high`` (at least 100 ms) or seconds. ``on_lost`` is told when the device goes,
    ``on_back`` when it is there again. All callbacks, these and those of :meth:`play`,
    come from the loudspeaker's own thread and must return soon.
    """

    def __init__(
        self,
        device: str | int = "default",
        latency: str | float = "high",
        *,
        on_lost: Callable[[Problem], None] | None = None,
        on_back: Callable[[], None] | None = None,
    ) -> None:
        self.underflows = 0
        self.rate_hz = 0
        self.latency_s = 0.0
        self._device = device
        self._latency = latency
        self._stream = KeptStream(
            "loudspeaker", self._open, self._tell, self._drop, on_lost, on_back,
            seen=lambda: seen_from_outside(device, "output"), at_rest=lambda: not self._untold,
        )  # fmt: skip
        self._changing = threading.Lock()  # held by play, cut and the owner, never the callback
        self._playing: tuple[_Playing, ...] = ()
        self._untold: list[_Playing] = []
        self._scratch = np.zeros(_LONGEST_CALLBACK_FRAMES, np.float32)
        self._fade = np.zeros(1, np.float32)
        self._ring = np.zeros(1, np.float32)
        self._anchor = (0, 0.0)  # a frame's number and when it is heard
        self._written = 0

    def __enter__(self) -> Loudspeaker:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def open(self) -> None:
        """Open the device; raises :class:`AudioUnavailable` if that cannot be done now."""
        self._stream.start()

    def close(self) -> None:
        """Close the device; what still sounds ends as cut."""
        self._stream.stop()

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

    def play(
        self,
        clip: Clip,
        on_started: Callable[[], None] | None = None,
        on_ended: Callable[[bool], None] | None = None,
    ) -> None:
        """Play a clip of any rate at once; one that still sounds is cut.

        ``on_started`` comes when its first sample is heard, ``on_ended`` when its last
        one was, with true if it was cut; exactly once each, ``on_started`` not at all for
        a clip that never sounded. Raises :class:`AudioUnavailable` while there is no device.
        """
        rate_hz = self.rate_hz
        if not self.is_open:
            raise self._gone()
        ready = to_rate(clip, rate_hz)
        playing = _Playing(np.ascontiguousarray(ready.samples), on_started, on_ended)
        with self._changing:
            if not self._stream.is_open or self.rate_hz != rate_hz:
                raise self._gone()
            for other in self._playing:
                other.cut_wanted = True
            self._untold.append(playing)
            self._playing = (*(p for p in self._playing if p.end_frame is None), playing)

    def cut(self) -> bool:
        """Fade out what sounds, within 10 ms after the device's buffer; False if nothing did."""
        with self._changing:
            sounding = [p for p in self._playing if p.end_frame is None and not p.cut_wanted]
            for playing in sounding:
                playing.cut_wanted = True
        return bool(sounding)

    def played_reference(self, n: int) -> Reference:
        """The last ``n`` samples (16 kHz, at most 4 s) that were heard up to now.

        Times before the device was opened, or without it, are silence. For the gate
        of a microphone that must know what it hears of ourselves.
        """
        if not 0 < n <= MOST_REFERENCE_S * LISTENING_RATE_HZ:
            raise ValueError(f"a reference of {n} samples is not kept")
        now_s = time.monotonic()
        rate_hz, (frame, heard_s), ring = self.rate_hz, self._anchor, self._ring
        if not rate_hz or not self._stream.is_open:
            return Reference(np.zeros(n, np.float32), now_s)
        last = min(self._written, max(0, frame + int((now_s - heard_s) * rate_hz)))
        lead = math.ceil(0.02 * rate_hz)  # thrown away again: where the resampler starts up
        count = math.ceil(n * rate_hz / LISTENING_RATE_HZ) + lead
        index = np.arange(last - count, last)
        piece = np.where(index >= 0, ring[index % len(ring)], np.float32(0.0)).astype(np.float32)
        samples = soxr.resample(piece, rate_hz, LISTENING_RATE_HZ)[-n:]
        return Reference(np.asarray(samples, dtype=np.float32), heard_s + (last - frame) / rate_hz)

    def _open(self) -> Any:
        device = choose_device(self._device, "output")
        latency = latency_s(self._latency, device, "output")
        channels = min(2, device.outputs)

        def build(sounddevice: ModuleType) -> Any:
            return sounddevice.OutputStream(
                device=device.index,
                samplerate=device.rate_hz,
                channels=channels,
                dtype="float32",
                latency=latency,
                callback=self._fill,
                finished_callback=self._stream.wake,
            )

        with self._changing:
            self.rate_hz = device.rate_hz
            fade = round(FADE_S * device.rate_hz)
            curve = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 1.0) / (fade + 1.0))
            self._fade = curve.astype(np.float32)
            self._ring = np.zeros(round(REMEMBERED_S * device.rate_hz), np.float32)
            self._written = 0
            self._anchor = (0, time.monotonic())
        stream = open_stream(build, device.name)
        self.latency_s = float(stream.latency)
        return stream

    def _fill(self, out: Any, frames: int, moment: Any, status: Any) -> None:
        """PortAudio's thread: mixes what plays into ``out``. Neither locks nor allocates audio."""
        now_s = time.monotonic()
        self._stream.last_sign_s = now_s
        if status.output_underflow:
            self.underflows += 1
        if frames > len(self._scratch):  # never seen; silence is better than a crash
            out.fill(0.0)
            return
        mix = self._scratch[:frames]
        mix.fill(0.0)
        delay_s = moment.outputBufferDacTime - moment.currentTime
        if not 0.0 <= delay_s < 5.0:  # some drivers tell no time
            delay_s = self.latency_s
        self._anchor = (self._written, now_s + delay_s)
        for playing in self._playing:
            if playing.end_frame is None:
                self._mix(playing, mix)
        np.clip(mix, -1.0, 1.0, out=mix)
        out[:] = mix[:, np.newaxis]
        at = self._written % len(self._ring)
        first = min(frames, len(self._ring) - at)
        self._ring[at : at + first] = mix[:first]
        self._ring[: frames - first] = mix[first:]
        self._written += frames

    def _mix(self, playing: _Playing, mix: Samples) -> None:
        if playing.first_frame is None:
            playing.first_frame = self._written
            self._stream.wake()
        if playing.cut_wanted and playing.fade_from is None:
            playing.fade_from = playing.at
        left = len(playing.samples) - playing.at
        if playing.fade_from is not None:
            left = min(left, playing.fade_from + len(self._fade) - playing.at)
        n = min(left, len(mix))
        piece = playing.samples[playing.at : playing.at + n]
        if playing.fade_from is None:
            mix[:n] += piece
        else:
            faded = playing.at - playing.fade_from
            mix[:n] += piece * self._fade[faded : faded + n]
        playing.at += n
        if n == left:
            playing.end_frame = self._written + n
            self._stream.wake()

    def _tell(self) -> float:
        """Owner's thread: tell starts and ends whose moment has come; seconds to the next one."""
        with self._changing:
            self._playing = tuple(p for p in self._playing if p.end_frame is None)
            waiting = list(self._untold)
        frame, heard_s = self._anchor
        now_s = time.monotonic()
        next_s = math.inf
        for playing in waiting:
            if playing.first_frame is None:
                continue
            starts_s = heard_s + (playing.first_frame - frame) / self.rate_hz
            if starts_s <= now_s:
                _tell_start(playing)
            else:
                next_s = min(next_s, starts_s - now_s)
            if playing.end_frame is None:
                continue
            ends_s = heard_s + (playing.end_frame - frame) / self.rate_hz
            if ends_s <= now_s:
                self._tell_end(playing, playing.at < len(playing.samples))
            else:
                next_s = min(next_s, ends_s - now_s)
        return next_s

    def _drop(self) -> None:
        """The stream is gone, and with it what it played."""
        with self._changing:
            lost, self._playing = list(self._untold), ()
        for playing in lost:
            self._tell_end(playing, True)

    def _tell_end(self, playing: _Playing, was_cut: bool) -> None:
        with self._changing:
            if playing.told_end:
                return
            playing.told_end = True
            self._untold.remove(playing)
        if playing.on_ended is not None:
            playing.on_ended(was_cut)

    def _gone(self) -> AudioUnavailable:
        return AudioUnavailable(
            "the loudspeaker is not there now.",
            where=f"loudspeaker '{self._device}'",
            do="Check its cable and the sound server; it is tried again until it is back.",
        )


def _tell_start(playing: _Playing) -> None:
    if not playing.told_start:
        playing.told_start = True
        if playing.on_started is not None:
            playing.on_started()
