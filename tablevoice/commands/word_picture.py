"""Draws how confusable a set of words is: what was heard for what, and what sounds alike.

Knows the measurement and a drawing library; measures nothing. Called by
``tablevoice words``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tablevoice.commands.choosing_words import NOT_HEARD, Confusability
from tablevoice.errors import AudioUnavailable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_CELL_IN = 0.44
_FARTHEST_PHONES = 3.0
"""Farther apart than this is all the same shade: nobody confuses such words."""


def draw(found: Confusability, title: str, file: Path) -> None:
    """Write the picture of ``found`` to ``file`` (PNG, SVG or PDF by its ending).

    Left, a heat map for each SNR: rows what was said, columns what was heard, in percent.
    Right: the distance in pronunciation, dark for near. Words in order of trouble. Raises
    :class:`AudioUnavailable` where the file cannot be written.
    """
    from matplotlib.figure import Figure

    order = [found.words.index(word) for word in found.worst_words()]
    words = [found.words[index] for index in order]
    snrs_db = sorted(found.heard, reverse=True)
    n = len(words)
    label_in = 0.35 + 0.085 * max(len(word) for word in words)
    panel_in = max(3.2, _CELL_IN * (n + 1))
    figure = Figure(
        figsize=((panel_in + label_in) * (len(snrs_db) + 1) + 0.3, panel_in + label_in + 1.0),
        layout="constrained",
    )
    key = "Green: heard right. Red: heard as another word. Grey: heard as none."
    figure.suptitle(f"{title}\n{key}", fontsize=12)
    widths = [*[n + 1] * len(snrs_db), n]
    panels: Any = figure.subplots(1, len(widths), width_ratios=widths)
    for axes, snr_db in zip(panels, snrs_db, strict=False):
        counts = found.heard[snr_db][np.ix_(order, [*order, n])]
        _heard(axes, words, counts)
        share = found.right(snr_db=snr_db)
        axes.set_title(
            f"At {snr_db:g} dB SNR: % of the {int(counts[0].sum())} times each was said\n"
            f"right: {_percent(share.share)} % ({_percent(share.low)} to {_percent(share.high)} %)",
            fontsize=10,
        )
    _alike(panels[-1], words, found.distances[np.ix_(order, order)])
    panels[-1].set_title("Distance in pronunciation\n(in phones; darker: more alike)", fontsize=10)
    try:
        figure.savefig(file, dpi=130, bbox_inches="tight")
    except (OSError, ValueError) as error:
        raise AudioUnavailable(
            f"the picture cannot be written ({error}).",
            where=str(file),
            do="Give a name that ends in .png, in a folder that this user may write to.",
        ) from error


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100.0 * share:.0f}"


def _heard(axes: Axes, words: list[str], counts: NDArray[np.int64]) -> None:
    shares = 100.0 * counts / np.maximum(1, counts.sum(axis=1, keepdims=True))
    n = len(words)
    colours = np.ones((n, n + 1, 4))
    for row in range(n):
        for column in range(n + 1):
            colours[row, column] = _colour(shares[row, column], row == column, column == n)
    axes.imshow(colours, aspect="equal")
    _marks(axes, words, [*words, NOT_HEARD])
    axes.set_xlabel("heard as")
    axes.set_ylabel("said")
    axes.axvline(n - 0.5, color="black", linewidth=1.0)
    for row in range(n):
        for column in range(n + 1):
            share = shares[row, column]
            if share >= 0.5:
                dark = share > 55.0
                axes.text(
                    column, row, f"{share:.0f}", ha="center", va="center", fontsize=8,
                    color="white" if dark else "black",
                )  # fmt: skip


def _colour(share: float, right: bool, nothing: bool) -> tuple[float, float, float, float]:
    """White for none; the right word green, a wrong one red, nothing grey."""
    full = (0.11, 0.50, 0.36) if right else (0.35, 0.38, 0.42) if nothing else (0.70, 0.10, 0.20)
    # Small shares of wrong words matter and have to be seen.
    depth = (share / 100.0) ** (1.0 if right or nothing else 0.5)
    red, green, blue = (1.0 - depth * (1.0 - part) for part in full)
    return red, green, blue, 1.0


def _alike(axes: Axes, words: list[str], distances: NDArray[np.float64]) -> None:
    n = len(words)
    shown = np.where(np.eye(n, dtype=bool), np.nan, distances)
    axes.imshow(shown, cmap="YlOrRd_r", vmin=0.0, vmax=_FARTHEST_PHONES, aspect="equal")
    _marks(axes, words, words)
    for row in range(n):
        for column in range(n):
            if row != column:
                near = distances[row, column] < 0.35 * _FARTHEST_PHONES
                axes.text(
                    column, row, f"{distances[row, column]:.1f}", ha="center", va="center",
                    fontsize=8, color="white" if near else "black",
                )  # fmt: skip


def _marks(axes: Axes, rows: list[str], columns: list[str]) -> None:
    axes.set_xticks(range(len(columns)), columns, rotation=90, fontsize=9)
    axes.set_yticks(range(len(rows)), rows, fontsize=9)
    axes.set_xticks(np.arange(-0.5, len(columns)), minor=True)
    axes.set_yticks(np.arange(-0.5, len(rows)), minor=True)
    axes.grid(which="minor", color="#dddddd", linewidth=0.6)
    axes.tick_params(which="both", length=0)
