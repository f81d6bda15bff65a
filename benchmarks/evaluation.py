"""``make evaluate``: measures the demo's cell on the evaluation set, and renews the README's table.

Makes the set where it is not yet, measures every set-up that the cell has, keeps the
results beside this file and the page in ``build/evaluation``. Goes on after a break.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console

from benchmarks.claims import CLAIMS, README, RESULTS, ROOT, broken, read_claims, table, with_table
from benchmarks.evaluation_set import HELD_OUT_FAMILIES, SMALL, Size, make_set
from tablevoice.cell import Cell, load_cell
from tablevoice.commands.evaluating import measure, show
from tablevoice.evaluation.instrument import Wish
from tablevoice.evaluation.report_folder import results_json
from tablevoice.listening.second_opinion import Opinions
from tablevoice.listening.tuned_file import tuned_path
from tablevoice.shipped import shipped

FOLDER = ROOT / "build" / "evaluation"
SNRS_DB = (None, 10.0, 5.0, 0.0)
NOISES = ("shop",)
_LEFT_OUT = ("detection", "by_speaker", "by_word", "confusion")
"""Parts of the results that are not kept with the source: they are large, and no claim is
made of them."""


def setups_of(cell: Cell) -> tuple[Opinions, ...]:
    """The bare grammar, and both opinions where the cell has a tuned file."""
    tuned = cell.listening.tuned or tuned_path(cell.path)
    return ("grammar", "both") if tuned.is_file() else ("grammar",)


def kept_part(results: Mapping[str, Any]) -> dict[str, Any]:
    """What is committed of the results."""
    setups = [
        {name: value for name, value in one.items() if name not in _LEFT_OUT}
        for one in results["setups"]
    ]
    return {**results, "setups": setups}


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.evaluation", description=__doc__)
    parser.add_argument("--small", action="store_true", help="a few clips, README untouched")
    parser.add_argument("--fresh", action="store_true", help="make the set anew")
    parser.add_argument("--workers", type=int, default=None)
    options = parser.parse_args(arguments)
    console = Console(stderr=True)
    cell = load_cell(shipped("lantern_table.yaml"))
    folder = FOLDER / "small" if options.small else FOLDER
    manifest = folder / "set" / "manifest.csv"
    if options.fresh or not manifest.is_file():
        with console.status("making the evaluation set …"):
            size = SMALL if options.small else Size()
            manifest = make_set(folder / "set", cell, size, HELD_OUT_FAMILIES)
    wish = Wish(
        manifest, folder / "report", setups_of(cell), SNRS_DB, NOISES, options.workers
    )  # fmt: skip
    steps = Steps(console)
    evaluation, files = measure(cell, wish, steps)
    show(evaluation, Console(width=120))
    results = results_json(evaluation)
    if not options.small:
        text = json.dumps(kept_part(results), indent=1, ensure_ascii=False)
        RESULTS.write_text(text + "\n", encoding="utf-8")
        README.write_text(with_table(README.read_text("utf-8"), table(results)), encoding="utf-8")
    for path in files:
        console.print(path)
    contradicted = broken(results, read_claims(CLAIMS), sample=options.small)
    for text in contradicted:
        console.print(f"claim does not hold: {text}", style="red", markup=False)
    return 1 if contradicted else 0


class Steps:
    """A line of progress every percent, for a terminal and a log alike."""

    def __init__(self, console: Console) -> None:
        self._console, self._told = console, -1

    def __call__(self, done: int, of: int) -> None:
        percent = 100 * done // max(of, 1)
        if percent > self._told:
            self._told = percent
            self._console.print(f"\r{done} of {of} trials", end="")
            if done == of:
                self._console.print()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
