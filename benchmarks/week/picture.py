"""The week as a picture: memory, handles, threads and latency, with what was broken when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt

from benchmarks.week.schedule import DAY_S, OPEN_S

PANELS = (
    ("resident_mb", "memory, MB", 0.0),
    ("handles", "open files\nand sockets", 0.0),
    ("threads", "threads", 0.0),
    ("answer_ms", "ping answered,\nms (true time)", None),
    ("sound_ms", "event to sound,\nms (true time)", None),
)
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def draw(results: Mapping[str, Any], path: Path) -> None:
    """Draw the results of a week into a PNG."""
    samples, faults, speed = results["samples"], results["faults"], results["speed"]
    days = [sample["at_s"] * speed / DAY_S for sample in samples]
    figure, axes = plt.subplots(
        len(PANELS) + 1, 1, sharex=True, figsize=(11, 10.5), layout="constrained",
        height_ratios=[*(2 for _ in PANELS), 2.6],
    )  # fmt: skip
    for axis, (name, label, bottom) in zip(axes, PANELS, strict=False):
        if name == "sound_ms":
            _sound(axis, results["sound"])
        else:
            axis.plot(days, [sample[name] for sample in samples], color="tab:blue", lw=1.2)
        if bottom is not None:
            axis.set_ylim(bottom=bottom)
        else:
            axis.set_yscale("log")
        axis.set_ylabel(label)
        axis.grid(alpha=0.3)
        for day in range(int(max(days, default=0)) + 1):
            axis.axvspan(day + OPEN_S / DAY_S, day + 1, color="0.5", alpha=0.12, lw=0)
    _faults(axes[-1], faults, speed)
    last = max(days, default=1.0)
    axes[-1].set_xlim(0, max(last, 1e-3))
    if last > 1:
        axes[-1].set_xticks([day + 0.5 for day in range(round(last))], DAYS[: round(last)])
    else:
        axes[-1].set_xlabel("days of the week")
    done = results["done"]
    axes[0].set_title(
        f"{results['hours']:.2g} h at {speed:g} × the speed of life: {done['events']} events, "
        f"{done['heard']} words heard, {len(faults)} faults; nights are grey",
        fontsize=11,
    )  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _sound(axis: Any, sound: Sequence[Mapping[str, float]]) -> None:
    days = [one["day"] for one in sound]
    axis.plot(days, [one["p95_ms"] for one in sound], color="tab:orange", lw=1.0, label="p95")
    axis.plot(days, [one["p50_ms"] for one in sound], color="tab:blue", lw=1.2, label="median")
    axis.legend(loc="upper right", fontsize=8, ncols=2)


def _faults(axis: Any, faults: Sequence[Mapping[str, Any]], speed: float) -> None:
    names = sorted({fault["what"] for fault in faults}, reverse=True)
    for place, name in enumerate(names):
        days = [fault["at_s"] * speed / DAY_S for fault in faults if fault["what"] == name]
        axis.plot(days, [place] * len(days), "|", color="tab:red", markersize=9, mew=1.6)
    axis.set_yticks(range(len(names)), names, fontsize=8)
    axis.set_ylim(-0.7, len(names) - 0.3)
    axis.grid(alpha=0.3)
