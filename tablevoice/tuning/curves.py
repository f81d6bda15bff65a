"""What held-out trials say about a command model: rates, reliability and trade-off curves.

Pure numbers in, plain lists out, ready for JSON. The probabilities are those of families of
voices that were not learnt from, in the mixture of examples that was made.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tablevoice.tuning.examples import Example

BANDS_DB = ((-99.0, 2.5), (2.5, 7.5), (7.5, 12.5), (12.5, 99.0))
ACT = 0.95
_BINS = 10


def measured(
    examples: Sequence[Example], classes: NDArray[np.int64], chances: NDArray[np.float64]
) -> dict[str, Any]:
    """``chances``: shape ``(n, 1 + phrases)``, held out; ``classes``: what was said."""
    best = chances[:, 1:].argmax(axis=1) + 1
    surest = chances[:, 1:].max(axis=1)
    commands = classes > 0
    right = commands & (best == classes)
    families = np.array([example.family for example in examples])
    snr_db = np.array([example.snr_db for example in examples])
    groups = np.array([example.group for example in examples])
    rates = []
    for family in sorted(set(families) - {"nobody"}):
        for low, high in BANDS_DB:
            here = (families == family) & (snr_db >= low) & (snr_db < high)
            said = here & commands
            other = here & ~commands
            rates.append({
                "family": str(family), "snr_db": [low, high], "said": int(said.sum()),
                "nearest_right": int((right & said).sum()),
                "acted_right": int((right & said & (surest >= ACT)).sum()),
                "acted_wrong": int((~right & said & (surest >= ACT)).sum()),
                "outside": int(other.sum()),
                "outside_acted": int((other & (surest >= ACT)).sum()),
            })  # fmt: skip
    outside = [
        {"group": str(group), "heard": int((groups == group).sum()),
         "acted": int(((groups == group) & ~commands & (surest >= ACT)).sum())}
        for group in sorted(set(groups) - {"command"})
    ]  # fmt: skip
    return {
        "act_from": ACT,
        "rates": rates,
        "outside": outside,
        "reliability": _reliability(surest, right),
        "trade_off": _trade_off(surest, right, commands),
    }


def _reliability(surest: NDArray[np.float64], right: NDArray[np.bool_]) -> list[dict[str, float]]:
    """For each tenth of probability: the mean promised, the share that was right, how many."""
    tenth = np.minimum((surest * _BINS).astype(int), _BINS - 1)
    return [
        {"promised": round(float(surest[tenth == index].mean()), 4),
         "right": round(float(right[tenth == index].mean()), 4),
         "n": int((tenth == index).sum())}
        for index in range(_BINS) if (tenth == index).any()
    ]  # fmt: skip


def _trade_off(
    surest: NDArray[np.float64], right: NDArray[np.bool_], commands: NDArray[np.bool_]
) -> list[list[float]]:
    """Threshold, share of commands missed or mistaken, share of the rest acted on."""
    points = []
    for threshold in (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995):
        over = surest >= threshold
        missed = 1.0 - float((over & right).sum()) / max(1, int(commands.sum()))
        acted = float((over & ~commands).sum()) / max(1, int((~commands).sum()))
        points.append([threshold, round(missed, 5), round(acted, 5)])
    return points
