"""Writes shares and rates with their bounds, alike on the terminal and on the page.

Knows numbers only.
"""

from __future__ import annotations

from tablevoice.evaluation.intervals import HourlyRate, Share

_FINE_FROM = 500
"""From so many trials on a tenth of a percent means something."""


def percent(share: Share) -> str:
    """``"92 % (85–96)"``; empty of nothing."""
    if share.share is None or share.low is None or share.high is None:
        return ""
    fine = share.of >= _FINE_FROM
    low, high = _number(share.low, fine=fine), _number(share.high, fine=fine)
    return f"{_number(share.share, fine=fine)} % ({low}–{high})"


def short(share: Share) -> str:
    """``"92 %"``, without the bounds; empty of nothing."""
    return percent(share).partition(" (")[0]


def hourly_text(rate: HourlyRate) -> str:
    """``"0.4 (0.1–1.5)"``, ``"0 (below 0.3)"``; empty for no time."""
    if rate.per_hour is None or rate.low is None or rate.high is None:
        return ""
    if rate.count == 0:
        return f"0 (below {_rate(rate.high)})"
    return f"{_rate(rate.per_hour)} ({_rate(rate.low)}–{_rate(rate.high)})"


def _number(share: float, *, fine: bool) -> str:
    return f"{100 * share:.{1 if fine else 0}f}"


def _rate(value: float) -> str:
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"
