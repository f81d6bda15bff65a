"""A table goes on listening when its recogniser hangs, fails, or falls far behind."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from typing import cast

import numpy as np
import pytest

from tablevoice import kept_ear
from tablevoice.audio.loudspeaker import Loudspeaker, Reference
from tablevoice.audio.microphone import Microphone, MicrophoneBlock
from tablevoice.errors import Problem
from tablevoice.kept_ear import HUNG_LOOKS, KeptEar
from tablevoice.listening.ear import Ear
from tablevoice.live_ear import Listeners
from tablevoice.model import Heard, Hypothesis, Samples

BLOCK = 512


class SomeMicrophone:
    """Blocks that a test hands over."""

    def __init__(self) -> None:
        self.blocks: queue.Queue[MicrophoneBlock | None] = queue.Queue()
        self._count = 0

    def hand_over(self, *, lost: int = 0, age_s: float = 0.0) -> None:
        self._count += lost
        start_s = time.monotonic() - age_s
        self.blocks.put(MicrophoneBlock(np.zeros(BLOCK, np.float32), self._count, start_s))
        self._count += BLOCK

    def __iter__(self) -> Iterator[MicrophoneBlock]:
        while (block := self.blocks.get()) is not None:
            yield block


class SomeLoudspeaker:
    def played_reference(self, n: int) -> Reference:
        if n > 64_000:
            raise ValueError("not kept")  # as the real one does
        return Reference(np.zeros(n, np.float32), time.monotonic())


class SomeEar:
    """Hears something in every block, or does as it was told."""

    def __init__(self, name: str, fault: str = "") -> None:
        self.name = name
        self.in_speech = False
        self.resets = 0
        self.closed = False
        self.allowed: tuple[object, ...] = ()
        self.released = threading.Event()
        self._fault = fault

    def allow(self, *allowed: object) -> None:
        self.allowed = allowed

    def reset(self) -> None:
        self.resets += 1
        self.in_speech = False

    def close(self) -> None:
        self.closed = True

    def feed(self, samples: Samples, now_s: float, reference: Samples) -> list[Heard]:
        if self._fault == "hang":
            self.released.wait(60.0)
        elif self._fault == "fail":
            raise RuntimeError("out of order")
        return [Heard(Hypothesis(self.name, 1.0, True), now_s, now_s, -30.0)]


class Table:
    """A kept ear and what it told."""

    def __init__(self, *ears: SomeEar) -> None:
        self.microphone = SomeMicrophone()
        self.heard: queue.Queue[str] = queue.Queue()
        self.problems: queue.Queue[Problem] = queue.Queue()
        spare = iter(ears[1:])
        told = Listeners(
            heard=lambda heard: self.heard.put(heard.hypothesis.text),
            sound_began=lambda: None,
            problem=self.problems.put,
        )
        self.ear = KeptEar(
            cast(Microphone, self.microphone), cast(Ear, ears[0]),
            cast(Loudspeaker, SomeLoudspeaker()), told,
            lambda: (cast(Ear, next(spare)), ExitStack()),
        )  # fmt: skip
        self.ear.allow((("teal",), ("pause",), ("pause",)))
        self.ear.start(time.monotonic())

    def close(self) -> None:
        self.ear.stop()
        self.microphone.blocks.put(None)
        self.ear.join()


@pytest.fixture(autouse=True)
def quick_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_ear, "LOOK_S", 0.02)


def test_another_ear_takes_over_from_one_that_fails() -> None:
    broken, sound = SomeEar("broken", "fail"), SomeEar("sound")
    table = Table(broken, sound)
    table.microphone.hand_over()
    problem = table.problems.get(timeout=10.0)
    assert "out of order" in problem.what
    assert problem.do
    table.microphone.hand_over()
    assert table.heard.get(timeout=10.0) == "sound"
    assert sound.allowed == (("teal",), ("pause",), ("pause",))  # what may be heard goes on
    assert broken.closed
    table.close()


def test_another_ear_takes_over_from_one_that_hangs_and_its_late_word_counts_no_more() -> None:
    hung, sound = SomeEar("hung", "hang"), SomeEar("sound")
    table = Table(hung, sound)
    table.microphone.hand_over()
    assert "hangs" in table.problems.get(timeout=10.0).what
    table.microphone.hand_over()
    assert table.heard.get(timeout=10.0) == "sound"
    hung.released.set()
    table.microphone.hand_over()
    assert table.heard.get(timeout=10.0) == "sound"
    assert table.heard.empty()
    table.close()


def test_an_ear_that_waits_for_sound_has_not_hung() -> None:
    table = Table(SomeEar("sound"))
    table.microphone.hand_over()
    assert table.heard.get(timeout=10.0) == "sound"
    time.sleep(0.02 * HUNG_LOOKS * 3)
    assert table.problems.empty()
    table.close()


def test_half_a_word_before_a_gap_and_half_of_one_after_it_are_no_word() -> None:
    ear = SomeEar("sound")
    table = Table(ear)
    table.microphone.hand_over()
    table.heard.get(timeout=10.0)
    ear.in_speech = True
    table.microphone.hand_over()
    table.heard.get(timeout=10.0)
    assert ear.resets == 0
    table.microphone.hand_over(lost=16_000)
    table.heard.get(timeout=10.0)
    assert ear.resets == 1
    table.close()


def test_a_listener_that_is_far_behind_goes_on() -> None:
    """What was played so long ago is not kept; before, that ended the listening thread."""
    table = Table(SomeEar("sound"))
    table.microphone.hand_over(age_s=30.0)
    assert table.heard.get(timeout=10.0) == "sound"
    assert table.problems.empty()
    table.close()
