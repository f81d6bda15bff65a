"""What the week showed: kept as JSON, drawn, held against what counts as flat."""

from __future__ import annotations

import json
import math
import os
import platform
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console

from benchmarks.week.picture import draw
from benchmarks.week.playing import Week
from benchmarks.week.sampling import BOUNDS, Trend, flat, trend
from benchmarks.week.schedule import DAY_S

RESULTS = Path(__file__).resolve().parents[1] / "week_results.json"
SOUND_EVERY_S = 4 * 3_600.0
FEWEST_SAMPLES = 20


def kept(week: Week, path: Path, picture: Path, *, busy: bool) -> dict[str, Any]:
    """Write and draw the week; gives what was written."""
    results = {
        "hours": week.hours,
        "speed": week.speed,
        "machine": f"{platform.system()}, {os.cpu_count()} cores, Python "
        f"{platform.python_version()}" + (", busy with other work" if busy else ""),
        "done": week.counts,
        "played_late_by_at_most_s": round(week.latest_s, 2),
        "trends": trends(week),
        "faults_of_each_kind": dict(Counter(what for _, what in week.faults)),
        "wrong": week.wrong,
        "sound": _sound(week),
        "faults": [{"at_s": at_s, "what": what} for at_s, what in week.faults],
        "samples": [asdict(sample) for sample in week.samples],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(results, indent=None, ensure_ascii=False)
    path.write_text(text.replace('}, {"at_s"', '},\n{"at_s"') + "\n", encoding="utf-8")
    draw(results, picture)
    return results


def trends(week: Week) -> dict[str, dict[str, Any]]:
    """The trend of each measure that must stay flat."""
    found: dict[str, dict[str, Any]] = {}
    if len(week.samples) < FEWEST_SAMPLES:
        return found
    times_s = [sample.at_s for sample in week.samples]
    for name in BOUNDS:
        of_it: Trend = trend(times_s, [getattr(sample, name) for sample in week.samples])
        found[name] = {**asdict(of_it), "flat": flat(name, of_it)}
    return found


def problems(results: Mapping[str, Any]) -> list[str]:
    """What was not as it must be; empty when all was."""
    grown = [
        f"{name} is not flat: {one['growth']:+g} over the week, from a median of {one['median']:g}"
        for name, one in results["trends"].items()
        if not one["flat"]
    ]
    return [*results["wrong"], *grown]


def shown(results: Mapping[str, Any], console: Console) -> None:
    """The short of it, for a person."""
    for name, count in results["done"].items():
        console.print(f"{name}: {count}", markup=False)
    for name, one in results["trends"].items():
        console.print(
            f"{name}: median {one['median']:g}, {one['growth']:+g} over the week"
            f" ({one['low']:+g} to {one['high']:+g})",
            markup=False,
        )


def _sound(week: Week) -> list[dict[str, float]]:
    """Event to sound in true ms, every four hours of the week in which anything was said."""
    found = []
    parts: dict[int, list[float]] = {}
    for at_s, late_s in week.sound_s:
        parts.setdefault(math.floor(at_s / SOUND_EVERY_S), []).append(1000 * late_s / week.speed)
    for part, late_ms in sorted(parts.items()):
        p50, p95 = np.percentile(late_ms, (50, 95))
        found.append(
            {
                "day": round((part + 0.5) * SOUND_EVERY_S / DAY_S, 3),
                "n": len(late_ms),
                "p50_ms": round(float(p50), 2),
                "p95_ms": round(float(p95), 2),
            }
        )
    return found
