"""Whether a line of some priority may be said at a time of the day.

Pure: the time is passed in as minutes after midnight. Called by the chooser.
"""

from __future__ import annotations

from collections.abc import Iterable

from tablevoice.model import Priority, QuietSpan

ALWAYS_SPEAKS = Priority.QUESTION
"""A question or a warning is said at any time, whatever a file says."""


def quiet_span(
    spans: Iterable[QuietSpan], priority: Priority, clock_min: float
) -> QuietSpan | None:
    """The quiet hours that keep a line from being said, ``None`` when it may be."""
    if priority >= ALWAYS_SPEAKS:
        return None
    return next(
        (span for span in spans if priority not in span.speak and _within(span, clock_min)), None)


def wording(span: QuietSpan) -> str:
    """Quiet hours as a person would say them."""
    return f"quiet hours from {_clock(span.from_min)} to {_clock(span.until_min)}"


def _within(span: QuietSpan, clock_min: float) -> bool:
    if span.from_min < span.until_min:
        return span.from_min <= clock_min < span.until_min
    return clock_min >= span.from_min or clock_min < span.until_min


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
