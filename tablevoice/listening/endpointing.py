"""Cuts the microphone's stream into utterances, in sample counts only.

Knows what :mod:`tablevoice.listening.voice_activity` says of each frame, and the level of
the stream; does not know words, devices or the time of day. The
:mod:`tablevoice.listening.ear` feeds it and acts on its events.

A word at the level of the noise does not stand out by its level, so the network alone
decides what is speech; the level keeps out what is too soft to have been said to the table.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tablevoice.listening.framing import (
    FRAME_S,
    FRAME_SAMPLES,
    BandMeter,
    clean,
    dbfs,
    frames_in,
)
from tablevoice.listening.voice_activity import LATE_FRAMES, VoiceActivity
from tablevoice.model import Samples


@dataclass(frozen=True, slots=True)
class EndpointOptions:
    """When an utterance begins and ends. All times in seconds of audio.

    ``opens_at`` and ``holds_at``: how likely speech must be to open an utterance, for
    ``onset_frames`` of the last ``onset_window`` frames, and to keep it open. ``silence_s``
    ends an utterance that may be complete, ``gap_s`` one that surely is not (people pause
    between two words), and ``early_s`` one that was certainly understood already; what the
    network needs to be sure (40 ms) comes on top. ``softest_dbfs``: nothing softer opens one.
    What is urgent is looked for sooner: after ``urgent_s``, or as soon as the sound has fallen
    ``fall_db`` below its loudest, ``most_urgent`` times an utterance at most.
    """

    silence_s: float = 0.15
    early_s: float = 0.09
    urgent_s: float = 0.05
    fall_db: float = 18.0
    most_urgent: int = 3
    gap_s: float = 0.60
    preroll_s: float = 0.29
    shortest_s: float = 0.10
    longest_s: float = 10.0
    opens_at: float = 0.6
    holds_at: float = 0.35
    softest_dbfs: float = -58.0
    onset_frames: int = 4
    onset_window: int = 6


@dataclass(frozen=True, slots=True)
class SpeechStarted:
    """An utterance began; ``at_s`` is the start of its pre-roll, in stream time."""

    at_s: float


@dataclass(frozen=True, slots=True, eq=False)
class SpeechFrames:
    """More audio of the open utterance (the first one carries the pre-roll)."""

    samples: Samples


@dataclass(frozen=True, slots=True, eq=False)
class SpeechEnded:
    """The utterance is over: ``start_s`` to ``end_s`` bound the speech itself.

    ``samples`` is everything from the pre-roll to now. ``level_dbfs`` is the RMS level
    of the frames that counted as speech; ``forced`` says that it was cut at the longest
    allowed length.
    """

    start_s: float
    end_s: float
    samples: Samples
    level_dbfs: float
    forced: bool = False


@dataclass(frozen=True, slots=True)
class SpeechDropped:
    """What began as an utterance was too short to be a word (a click, a knock)."""

    start_s: float
    end_s: float


EndpointEvent: TypeAlias = SpeechStarted | SpeechFrames | SpeechEnded | SpeechDropped


class Endpointer:
    """Streaming endpointer over 16 kHz mono blocks of any size."""

    def __init__(
        self,
        options: EndpointOptions = EndpointOptions(),
        complete: Callable[[], bool] = lambda: True,
        understood: Callable[[Samples], bool] = lambda samples: False,
        urgent: Callable[[Samples], bool] = lambda samples: False,
    ) -> None:
        """``complete`` is asked at a pause whether the person may have finished, ``understood``
        once in each pause, with all samples so far, whether nothing more need be waited for;
        ``urgent`` where a word may just have ended, whether it is one that must not wait.

        A frame's events are to be acted on before the next frame is fed if it depends on
        them (the ear feeds single frames).
        """
        self.options = options
        self._complete = complete
        self._understood = understood
        self._urgent = urgent
        self._activity = VoiceActivity()
        self.reset()

    def reset(self) -> None:
        """Forget everything; stream time starts at zero again."""
        options = self.options
        self._meter = BandMeter()
        self._activity.reset()
        self._rest = np.zeros(0, dtype=np.float32)
        self._frame = 0
        self._preroll: deque[Samples] = deque(maxlen=frames_in(options.preroll_s))
        self._smooth: deque[float] = deque(maxlen=5)
        self._recent: deque[bool] = deque(maxlen=options.onset_window)
        self._passed: deque[bool] = deque([True] * LATE_FRAMES, maxlen=LATE_FRAMES)
        self._open: _OpenUtterance | None = None
        self._rest_of_word_until = 0

    @property
    def now_s(self) -> float:
        """How much of the stream has been judged."""
        return self._frame * FRAME_S

    @property
    def in_speech(self) -> bool:
        return self._open is not None

    def feed(
        self, samples: Samples, passed: NDArray[np.bool_] | None = None
    ) -> list[EndpointEvent]:
        """Judge a block of shape ``(n,)`` and return what happened in it, in order.

        ``passed`` (shape ``(n / 160,)``) says for each 10 ms frame whether the gate lets it
        count; with it, ``n`` must be whole frames and no rest may be waiting.
        """
        block = np.concatenate((self._rest, np.asarray(samples, dtype=np.float32)))
        count = len(block) // FRAME_SAMPLES
        self._rest = block[count * FRAME_SAMPLES :]
        if passed is not None and (len(passed) != count or len(self._rest)):
            raise ValueError("a gated block must be whole frames, one flag each")
        if not count:
            return []
        block = clean(block[: count * FRAME_SAMPLES])
        power = self._meter.measure(block)
        events: list[EndpointEvent] = []
        for index in range(count):
            cut = slice(index * FRAME_SAMPLES, (index + 1) * FRAME_SAMPLES)
            allowed = passed is None or bool(passed[index])
            speaking = self._activity.feed(block[cut])
            self._judge(block[cut], float(power[index]), speaking, allowed, events)
        return events

    def flush(self) -> list[EndpointEvent]:
        """End an open utterance now (the stream is over)."""
        events: list[EndpointEvent] = []
        if self._open is not None:
            self._close(events, forced=False)
        return events

    def _judge(
        self,
        frame: Samples,
        power: float,
        speaking: float,
        allowed: bool,
        events: list[EndpointEvent],
    ) -> None:
        options = self.options
        self._smooth.append(power)
        level_dbfs = dbfs(sum(self._smooth) / len(self._smooth))
        self._frame += 1
        # The network speaks of an earlier frame: that one must not be the table's own voice either.
        passed_then = self._passed[0]
        self._passed.append(allowed)
        allowed = allowed and passed_then
        utterance = self._open
        if utterance is None:
            loud = level_dbfs > options.softest_dbfs
            if speaking < options.holds_at:
                self._rest_of_word_until = 0
            another = self._frame > self._rest_of_word_until
            self._recent.append(speaking >= options.opens_at and loud and allowed and another)
            self._preroll.append(frame)
            if sum(self._recent) >= options.onset_frames:
                self._begin(events)
            return
        utterance.frames.append(frame)
        events.append(SpeechFrames(frame))
        if allowed and speaking >= options.holds_at:
            utterance.note(self._frame, power)
        fell = utterance.fell(power, options.fall_db)
        silent = self._frame - utterance.last_frame
        if silent >= frames_in(options.gap_s) or self._early(utterance, silent, fell) or (
            # Asked every 20 ms of a pause only: the answer costs a look into the decoder.
            silent >= frames_in(options.silence_s)
            and (silent - frames_in(options.silence_s)) % 2 == 0
            and self._complete()
        ):
            self._close(events, forced=False)
        elif (self._frame - utterance.first_frame) * FRAME_S >= options.longest_s:
            self._close(events, forced=True)

    def _early(self, utterance: _OpenUtterance, silent: int, fell: bool) -> bool:
        options = self.options
        ended = silent == frames_in(options.early_s) and silent < frames_in(options.silence_s)
        if ended:
            return self._understood(np.concatenate(utterance.frames))
        may_be_urgent = fell or silent == frames_in(options.urgent_s)
        if not may_be_urgent or utterance.asked >= options.most_urgent:
            return False
        if utterance.speech_frames * FRAME_S < options.shortest_s:
            return False
        utterance.asked += 1
        if not self._urgent(np.concatenate(utterance.frames)):
            return False
        # What may still come of the word itself is not another one.
        self._rest_of_word_until = self._frame + frames_in(options.gap_s)
        return True

    def _begin(self, events: list[EndpointEvent]) -> None:
        first = self._frame - len(self._recent) + list(self._recent).index(True)
        frames = list(self._preroll)
        self._open = _OpenUtterance(first, frames)
        for _ in range(sum(self._recent)):
            self._open.note(self._frame, self._smooth[-1])
        self._recent.clear()
        self._preroll.clear()
        events.append(SpeechStarted((self._frame - len(frames)) * FRAME_S))
        events.append(SpeechFrames(np.concatenate(frames)))

    def _close(self, events: list[EndpointEvent], *, forced: bool) -> None:
        utterance = self._open
        assert utterance is not None
        self._open = None
        self._recent.clear()
        tail = utterance.frames[-frames_in(self.options.preroll_s) :]
        self._preroll.extend(tail if forced else tail[-1:])
        start_s = max(0, utterance.first_frame - LATE_FRAMES) * FRAME_S
        end_s = max(utterance.last_frame - LATE_FRAMES, utterance.first_frame) * FRAME_S
        if utterance.speech_frames * FRAME_S < self.options.shortest_s:
            events.append(SpeechDropped(start_s, end_s))
            return
        samples = np.concatenate(utterance.frames)
        level_dbfs = dbfs(utterance.power / utterance.speech_frames)
        events.append(SpeechEnded(start_s, end_s, samples, level_dbfs, forced))


class _OpenUtterance:
    """Book-keeping of the utterance that is being spoken."""

    def __init__(self, first_frame: int, frames: list[Samples]) -> None:
        self.first_frame = first_frame
        self.frames = frames
        self.last_frame = first_frame
        self.speech_frames = 0
        self.power = 0.0
        self.asked = 0
        self._loudest = 0.0
        self._last: deque[float] = deque(maxlen=3)
        self._fallen = False

    def fell(self, power: float, fall_db: float) -> bool:
        """Whether the sound has just fallen so far below its loudest, for 30 ms."""
        self._last.append(power)
        self._loudest = max(self._loudest, power)
        was_fallen = self._fallen
        self._fallen = max(self._last) < self._loudest * 10.0 ** (-fall_db / 10.0)
        return self._fallen and not was_fallen

    def note(self, frame: int, power: float) -> None:
        self.last_frame = frame
        self.speech_frames += 1
        self.power += power
