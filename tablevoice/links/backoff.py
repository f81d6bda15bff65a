"""How long to wait before trying a peer again: longer each time, bounded, and never in step.

Pure; randomness is passed in. A hall of tables that lost one broker must not all come back in
the same instant.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

FIRST_S = 0.25
LONGEST_S = 20.0


def waits_s(
    chance: random.Random, first_s: float = FIRST_S, longest_s: float = LONGEST_S
) -> Iterator[float]:
    """Waits that double up to ``longest_s``, each cut by up to half at random."""
    for number in itertools.count():
        whole_s = min(longest_s, first_s * 2.0 ** min(number, 30))
        yield whole_s * chance.uniform(0.5, 1.0)
