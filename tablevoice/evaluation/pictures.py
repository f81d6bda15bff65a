"""Draws the report's pictures, as SVG text: outcomes, ratios, confusions, curves, delays.

Knows results and a drawing library; chooses no numbers. Each function gives one picture
that stands alone in the page, with its axes named.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from tablevoice.evaluation.curves import LEAST_DRAWN, deviate
from tablevoice.evaluation.outcomes import CaseResult, Outcome
from tablevoice.evaluation.results import (
    Confusion,
    Detection,
    Group,
    SetupResults,
    Words,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

OUTCOMES: Mapping[Outcome, tuple[str, str]] = {
    Outcome.RIGHT: ("right", "#1b7f5c"),
    Outcome.CONFIRMED: ("right, to be confirmed", "#8fcbb0"),
    Outcome.ASKED_AGAIN: ("asked again", "#f2c14e"),
    Outcome.MISSED: ("missed", "#c4c8cc"),
    Outcome.CONFIRMED_WRONG: ("wrong, to be confirmed", "#f0936b"),
    Outcome.WRONG: ("wrong, acted on", "#b3284e"),
}
"""In the order in which bars are stacked, with their words and colours."""

SETUP_COLOURS = ("#1f5f99", "#c8702a", "#1b7f5c", "#7a4fa3")
_DET_TICKS = (0.001, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.99)
_DET_COLUMNS = 3
_BAR_IN = 0.30


def outcome_bars(setups: Sequence[SetupResults]) -> str:
    """What became of the words: a bar for each condition and set-up."""
    rows: list[tuple[str, Words]] = []
    for place, group in enumerate(setups[0].by_condition):
        for one in setups:
            words = one.by_condition[place].words
            if words.right.of:
                name = group.name if len(setups) == 1 else f"{group.name} — {one.setup}"
                rows.append((name, words))
    figure, axes = _figure(9.0, 1.3 + _BAR_IN * len(rows))
    at = np.arange(len(rows))
    left = np.zeros(len(rows))
    for outcome, (text, colour) in OUTCOMES.items():
        shares = np.array([100.0 * _share(words, outcome) for _, words in rows])
        axes.barh(at, shares, left=left, color=colour, label=text, height=0.78)
        for row, share in enumerate(shares):
            if share >= 4.0:
                dark = outcome in (Outcome.RIGHT, Outcome.WRONG)
                axes.text(left[row] + share / 2, row, f"{share:.0f}", ha="center", va="center",
                          fontsize=8, color="white" if dark else "#222")  # fmt: skip
        left += shares
    axes.set_yticks(at, [name for name, _ in rows])
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(0, 100)
    axes.set_xlabel("% of the words said")
    axes.grid(False)
    axes.legend(ncols=3, loc="lower center", bbox_to_anchor=(0.4, 1.0), frameon=False, fontsize=9)
    return _svg(figure, "outcomes")


def by_ratio(setups: Sequence[SetupResults]) -> str | None:
    """Right, and wrongly acted on, over the ratio; ``None`` for fewer than two ratios."""
    series: dict[tuple[str, str], list[tuple[float, Group]]] = {}
    for one in setups:
        for group in one.by_condition:
            if group.snr and group.words.right.of:
                ratio = float(group.snr.removesuffix(" dB"))
                name = " · ".join(part for part in (group.condition, group.noise) if part)
                series.setdefault((one.setup, name), []).append((ratio, group))
    series = {key: sorted(found, key=_ratio) for key, found in series.items() if len(found) > 1}
    if not series:
        return None
    figure, (above, below) = _figures(2, 9.4, 3.7)
    names = list(dict.fromkeys(name for _, name in series))
    order = [one.setup for one in setups]
    for (setup, name), found in series.items():
        style: dict[str, Any] = {
            "color": SETUP_COLOURS[order.index(setup) % len(SETUP_COLOURS)],
            "linestyle": ("-", "--", ":", "-.")[names.index(name) % 4],
            "marker": "o", "markersize": 4, "capsize": 3, "linewidth": 1.6,
            "label": setup if len(names) == 1 else f"{setup}, {name}",
        }  # fmt: skip
        ratios = [ratio for ratio, _ in found]
        for axes, shares in (
            (above, [group.words.right for _, group in found]),
            (below, [group.words.wrong for _, group in found]),
        ):
            middle = [100.0 * (share.share or 0.0) for share in shares]
            reach = [
                [100.0 * ((share.share or 0.0) - (share.low or 0.0)) for share in shares],
                [100.0 * ((share.high or 0.0) - (share.share or 0.0)) for share in shares],
            ]
            axes.errorbar(ratios, middle, yerr=reach, **style)
    above.set_title("right, acted on at once", fontsize=10)
    below.set_title("wrong, acted on", fontsize=10)
    above.set_ylim(0, 102)
    below.set_ylim(bottom=0)
    measured = sorted({ratio for found in series.values() for ratio, _ in found})
    for axes in (above, below):
        axes.set_xticks(measured, [f"{ratio:g}" for ratio in measured])
        axes.set_xlabel("speech above the noise, dB")
        axes.set_ylabel("% of the words")
    above.legend(fontsize=8, frameon=False, loc="lower right")
    return _svg(figure, "ratios")


def confusion(found: Confusion, name: str) -> str:
    """Said against taken for; the last two columns are no meaning."""
    counts = np.array(found.counts, dtype=float)
    totals = np.maximum(counts.sum(axis=1, keepdims=True), 1.0)
    size = 0.42
    figure, axes = _figure(2.4 + size * len(found.taken), 1.9 + size * len(found.said))
    axes.imshow(counts / totals, cmap="Blues", vmin=0.0, vmax=1.0, aspect="auto")
    for row, said in enumerate(found.said):
        for column, taken in enumerate(found.taken):
            count = int(counts[row, column])
            if count:
                share = count / totals[row, 0]
                wrong = taken in found.taken[:-2] and taken != said
                colour = "#b3284e" if wrong else "white" if share > 0.5 else "#222"
                axes.text(column, row, str(count), ha="center", va="center", fontsize=9,
                          color=colour, fontweight="bold" if wrong else "normal")  # fmt: skip
    axes.axvline(len(found.taken) - 2.5, color="#888", linewidth=1)
    axes.set_xticks(range(len(found.taken)), found.taken, rotation=90)
    axes.xaxis.tick_top()
    axes.set_yticks(range(len(found.said)), found.said)
    axes.set_ylabel("said")
    axes.grid(False)
    return _svg(figure, f"confusion {name}")


def detection(setups: Sequence[SetupResults]) -> str | None:
    """Detection-error curves: misses against false acceptances, a panel for each noise and
    ratio; ``None`` without any."""
    mixes = list(dict.fromkeys(curve.name for one in setups for curve in one.detection))
    if not mixes:
        return None
    columns = min(len(mixes), _DET_COLUMNS)
    rows = -(-len(mixes) // columns)
    side = 5.4 if len(mixes) == 1 else 3.3
    figure, panels = _figures(len(mixes), side * columns, side * rows, columns)
    ticks = [deviate(share) for share in _DET_TICKS]
    labels = [f"{100 * share:g}" for share in _DET_TICKS]
    low, high = deviate(LEAST_DRAWN), deviate(0.99)
    for place, (mix, axes) in enumerate(zip(mixes, panels, strict=True)):
        axes.plot([low, high], [low, high], color="#bbb", linewidth=0.8, zorder=0)
        for one, colour in zip(setups, _colours(setups), strict=True):
            for curve in one.detection:
                if curve.name == mix:
                    _det_line(axes, curve, one.setup, colour)
        axes.set_title(mix, fontsize=9)
        axes.set_xticks(ticks, labels, fontsize=7)
        axes.set_yticks(ticks, labels, fontsize=7)
        axes.set_xlim(low - 0.1, high)
        axes.set_ylim(low - 0.1, high)
        if place >= len(mixes) - columns:
            axes.set_xlabel("outside clips accepted, %")
        if place % columns == 0:
            axes.set_ylabel("words missed, %")
        axes.legend(fontsize=7, frameon=False, loc="lower left")
    return _svg(figure, "detection")


def _det_line(axes: Axes, curve: Detection, setup: str, colour: str) -> None:
    text = setup
    if curve.equal_error is not None:
        text += f": equal at {100 * curve.equal_error:.0f} %"
    axes.step(
        [deviate(point.false_acceptance) for point in curve.points],
        [deviate(point.miss) for point in curve.points],
        where="post", linewidth=1.5, label=text, color=colour,
    )  # fmt: skip


def reliability(setups: Sequence[SetupResults]) -> str | None:
    """How often what was held to be so probable was so; ``None`` without utterances."""
    if not any(one.reliability.count for one in setups):
        return None
    figure, axes = _figure(6.2, 5.4)
    axes.plot([0, 100], [0, 100], color="#bbb", linewidth=0.8)
    axes.text(70, 73, "as probable as said", rotation=40, color="#999", fontsize=8)
    for one, colour in zip(setups, _colours(setups), strict=True):
        bins = one.reliability.bins
        if not bins:
            continue
        middle = [100.0 * (part.right.share or 0.0) for part in bins]
        reach = [
            [100.0 * ((part.right.share or 0.0) - (part.right.low or 0.0)) for part in bins],
            [100.0 * ((part.right.high or 0.0) - (part.right.share or 0.0)) for part in bins],
        ]
        error = one.reliability.calibration_error or 0.0
        axes.errorbar(
            [100.0 * part.mean_probability for part in bins], middle, yerr=reach, fmt="o-",
            color=colour, markersize=4, capsize=3, linewidth=1.4,
            label=f"{one.setup}: off by {100 * error:.0f} points on the average,"
            f" {one.reliability.count} utterances",
        )  # fmt: skip
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 100)
    axes.set_xlabel("held to be so probable, %")
    axes.set_ylabel("was so, %")
    axes.legend(fontsize=8, frameon=False, loc="upper left")
    return _svg(figure, "reliability")


def delays(
    setups: Sequence[SetupResults], results: Sequence[Sequence[CaseResult]], holds: Sequence[str]
) -> str | None:
    """The share of verdicts that were there so long after the word's end."""
    figure, axes = _figure(6.2, 4.2)
    drawn = False
    for one, inside, colour in zip(setups, results, _colours(setups), strict=True):
        words = [word for found in inside for word in found.words
                 if word.delay_s is not None
                 and word.outcome in (Outcome.RIGHT, Outcome.CONFIRMED)]  # fmt: skip
        for style, text, chosen in (
            ("-", "all words", words),
            ("--", "hold words", [word for word in words if word.word.meaning in holds]),
        ):
            late_ms = sorted(1000.0 * (word.delay_s or 0.0) for word in chosen)
            if late_ms:
                shares = 100.0 * np.arange(1, len(late_ms) + 1) / len(late_ms)
                axes.step(late_ms, shares, where="post", color=colour, linestyle=style,
                          linewidth=1.6, label=f"{one.setup}, {text}")  # fmt: skip
                drawn = True
    if not drawn:
        return None
    axes.axhline(95, color="#bbb", linewidth=0.8)
    axes.text(0.99, 95.5, "p95", color="#999", fontsize=8, ha="right",
              transform=axes.get_yaxis_transform())  # fmt: skip
    axes.set_ylim(0, 101)
    axes.set_xlabel("from the end of the word to the verdict, ms")
    axes.set_ylabel("% of the verdicts")
    axes.legend(fontsize=8, frameon=False, loc="lower right")
    return _svg(figure, "delays")


def _ratio(point: tuple[float, Group]) -> float:
    return point[0]


def _share(words: Words, outcome: Outcome) -> float:
    share: float | None = getattr(words, outcome.value).share
    return share or 0.0


def _colours(setups: Sequence[SetupResults]) -> list[str]:
    return [SETUP_COLOURS[place % len(SETUP_COLOURS)] for place in range(len(setups))]


def _figure(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    figure, (axes,) = _figures(1, width_in, height_in)
    return figure, axes


def _figures(
    count: int, width_in: float, height_in: float, columns: int | None = None
) -> tuple[Figure, list[Axes]]:
    # Not by pyplot: that keeps every figure and may look for a screen.
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    across = columns or count
    rows = -(-count // across)
    axes = [figure.add_subplot(rows, across, place + 1) for place in range(count)]
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
        one.grid(visible=True, color="#eee", linewidth=0.8)
        one.set_axisbelow(True)
    return figure, axes


def _svg(figure: Figure, name: str) -> str:
    """As SVG, the same for the same numbers: no date, names from the picture's own."""
    import matplotlib as mpl

    text = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": name, "svg.fonttype": "none", "font.size": 9,
                         "font.family": "sans-serif"}):  # fmt: skip
        figure.savefig(text, format="svg", metadata={"Date": None})
    return text.getvalue()
