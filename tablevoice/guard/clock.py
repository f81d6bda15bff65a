"""The guard's one clock: nanoseconds that only go forward, and go on while the computer sleeps.

Setting the wall clock does not touch it. ``CLOCK_BOOTTIME`` (Linux) counts a suspended
computer's sleep, so that waking up reads as missing time; elsewhere the monotonic clock
stands in.
"""

from __future__ import annotations

import time

if hasattr(time, "CLOCK_BOOTTIME"):

    def now_ns() -> int:
        """Monotonic nanoseconds."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

else:  # other systems

    def now_ns() -> int:
        """Monotonic nanoseconds."""
        return time.monotonic_ns()
