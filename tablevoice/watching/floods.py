"""Bounds how many lines of one kind the log takes, so that a flood fills no disk.

Pure: time is passed in. Each kind of line has a bucket of its own, so that a flood of events
hides no problem.
"""

from __future__ import annotations

from dataclasses import dataclass

BURST = 200
"""So many lines of a kind at once; a busy table has some ten a second."""

A_SECOND = 20.0
MOST_KINDS = 1_000
"""Kinds are names in the program; more than so many would be a mistake and share a bucket."""


@dataclass(slots=True)
class _Bucket:
    left: float
    at_s: float
    held_back: int = 0


class Floods:
    """Which lines pass, and how many were held back."""

    def __init__(self, burst: float = BURST, a_second: float = A_SECOND) -> None:
        self._burst = burst
        self._a_second = a_second
        self._buckets: dict[str, _Bucket] = {}

    def passes(self, kind: str, now_s: float) -> bool:
        """Whether a line of that kind may be written now; one that may not is counted."""
        bucket = self._bucket(kind, now_s)
        if bucket.left < 1.0:
            bucket.held_back += 1
            return False
        bucket.left -= 1.0
        return True

    def held_back(self, now_s: float) -> dict[str, int]:
        """Kinds whose flood has gone down by now, and how many lines of each were held back."""
        over: dict[str, int] = {}
        for kind, bucket in self._buckets.items():
            self._fill(bucket, now_s)
            if bucket.held_back and bucket.left >= 1.0:
                over[kind], bucket.held_back = bucket.held_back, 0
        return over

    def _bucket(self, kind: str, now_s: float) -> _Bucket:
        if kind not in self._buckets and len(self._buckets) >= MOST_KINDS:
            kind = "other"
        bucket = self._buckets.setdefault(kind, _Bucket(self._burst, now_s))
        self._fill(bucket, now_s)
        return bucket

    def _fill(self, bucket: _Bucket, now_s: float) -> None:
        more = max(0.0, now_s - bucket.at_s) * self._a_second
        bucket.left, bucket.at_s = min(self._burst, bucket.left + more), now_s
