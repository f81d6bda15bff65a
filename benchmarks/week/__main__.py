"""``python -m benchmarks.week [--hours 1]``: plays a week at 168 times the speed of life.

Fewer hours play the first part of it. Progress on standard error; what was measured goes to
``benchmarks/week_results.json`` and ``examples/week.png`` when the whole week was played.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from benchmarks.week.playing import played
from benchmarks.week.results import RESULTS, kept, problems, shown

PICTURE = RESULTS.parents[1] / "examples" / "week.png"


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.week", description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0, help="true hours")
    parser.add_argument("--speed", type=float, default=168.0, help="times the speed of life")
    parser.add_argument("--seed", type=int, default=20_260)
    parser.add_argument("--every", type=float, default=None, help="seconds between samples")
    parser.add_argument("--busy", action="store_true", help="note that the computer had more to do")
    parser.add_argument("--out", type=Path, default=None, help="folder for results of a part")
    options = parser.parse_args(arguments)
    console = Console(stderr=True)
    every_s = options.every or max(1.0, min(60.0, options.hours * 60.0))
    with tempfile.TemporaryDirectory(prefix="tv") as name:
        week = played(
            Path(name), options.hours, options.seed, every_s, console.print, options.speed
        )
    folder = options.out
    results, picture = RESULTS, PICTURE
    if folder is not None:
        results, picture = folder / RESULTS.name, folder / PICTURE.name
    text = kept(week, results, picture, busy=options.busy)
    shown(text, console)
    wrong = problems(text)
    for line in wrong:
        console.print(line, style="red", markup=False)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
