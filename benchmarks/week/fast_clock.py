"""A clock that runs many times as fast, and an event loop that lives by it.

Timeouts of the loop are that much shorter; what threads and other processes do takes as long
as ever, so it seems that much slower: a line rendered in 25 ms has taken 4 s at 168 times.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Mapping


class FastClock:
    """``monotonic`` begins at the true time and then gains on it."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._began_s = time.monotonic()

    def monotonic(self) -> float:
        return self._began_s + (time.monotonic() - self._began_s) * self.speed

    def time_ns(self) -> int:
        return time.time_ns()


class _FastSelector(selectors.DefaultSelector):
    def __init__(self, speed: float) -> None:
        super().__init__()
        self._speed = speed

    def select(
        self, timeout: float | None = None
    ) -> list[tuple[selectors.SelectorKey, int]]:
        found: list[tuple[selectors.SelectorKey, int]] = super().select(
            None if timeout is None else timeout / self._speed
        )
        return found


class FastLoop(asyncio.SelectorEventLoop):
    """An event loop whose ``time`` is a fast clock's."""

    def __init__(self, clock: FastClock) -> None:
        self._fast = clock
        super().__init__(_FastSelector(clock.speed))

    def time(self) -> float:
        return self._fast.monotonic()


class FastLoops(asyncio.DefaultEventLoopPolicy):
    """Gives fast loops to whoever asks for a new one."""

    def __init__(self, clock: FastClock) -> None:
        super().__init__()
        self._clock = clock

    def new_event_loop(self) -> asyncio.AbstractEventLoop:
        return FastLoop(self._clock)


def speed_of(environment: Mapping[str, str]) -> float:
    """How fast the clock of this process is to run."""
    return float(environment.get(SPEED, "168"))


SPEED = "WEEK_SPEED"
