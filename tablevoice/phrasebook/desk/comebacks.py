"""How soon a line comes back: arithmetic of the chooser's rule, without choosing anything.

The chooser says every eligible line once in a round before any comes again, in an order
drawn anew for each round, and never the same line twice running. Of n lines a line comes
back after n uses on the average, but at the seam of two rounds it may come back after two.
Pure; called by ``freshness``, and held against the real chooser in the tests.
"""

from __future__ import annotations

import math

SOON_SHARE = 0.05
"""The share of repeats that may come sooner than is wished. Nought cannot be had: whatever
the number of lines, the last line of a round may be the second of the next."""


def soonest_uses(lines: int) -> int:
    """After how many uses a line may come back at the soonest."""
    return min(2, lines)


def mean_uses(lines: int) -> float:
    """After how many uses a line comes back on the average."""
    return float(lines)


def share_within(lines: int, uses: float) -> float:
    """The share of repeats that come after ``uses`` uses or sooner.

    For lines of one weight. A line at place i of a round and j of the next comes back after
    ``lines - i + j`` uses; i and j are drawn evenly, but that where the last line of a round
    would be first of the next, it changes places with the second.
    """
    n, most = lines, math.floor(uses)
    if n < 1:
        raise ValueError(f"lines {lines} must be 1 or more")
    if most < soonest_uses(n):
        return 0.0
    if n == 1 or most >= 2 * n - 1:
        return 1.0
    if n == 2:
        return 1.0  # two lines take turns
    # Over all i, with k = lines - i uses left in the round after the line. For k = 0, the last
    # line, j is 2 with chance 2/n (its own place, or moved there) and 3 and on with 1/n each.
    # For the others j is 1 with chance 1/(n-1), 2 with (n-2)/(n(n-1)), 3 and on with 1/n each.
    others = min(n - 1, most - 1)
    with_second = min(others, most - 2)
    whole = min(max(most - n, 0), with_second)  # from here down every j is within
    counted = range(whole + 1, with_second + 1)
    later = whole * (n - 2.0)
    if counted:
        later += len(counted) * ((most - counted[0] - 2) + (most - counted[-1] - 2)) / 2
    return (
        min(most, n) / n + others / (n - 1) + with_second * (n - 2) / (n * (n - 1)) + later / n
    ) / n


def lines_needed(uses: float, share: float = SOON_SHARE) -> int:
    """The least number of lines with which no more than ``share`` of repeats come within ``uses``.

    Raises ValueError for a share that no number of lines keeps (0 or below).
    """
    if share <= 0:
        raise ValueError(f"share {share} must be above 0")
    low, high = 1, 2
    while share_within(high, uses) > share:
        low, high = high, high * 2
    while low < high:
        middle = (low + high) // 2
        if share_within(middle, uses) > share:
            low = middle + 1
        else:
            high = middle
    return low
