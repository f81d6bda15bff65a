"""``python -m benchmarks.fuzz [--inputs N] [--seed S] [--only WORDS]``: a million spoilt inputs.

Inputs that crash something are saved in ``build/fuzz``; the same seed makes them again.
Counts go to ``benchmarks/fuzz_results.json`` when every target had its share.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from rich.console import Console

from benchmarks.fuzz.spoiling import spoilt
from benchmarks.fuzz.targets import TARGETS
from benchmarks.fuzz.trying import Tried, tried

ROOT = Path(__file__).resolve().parents[2]
RESULTS = ROOT / "benchmarks" / "fuzz_results.json"
SAVED = ROOT / "build" / "fuzz"


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=1_000_000, help="of all targets together")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="targets whose name has this in it")
    options = parser.parse_args(arguments)
    console = Console(stderr=True)
    console.print(f"seed {options.seed}")
    found: list[Tried] = []
    for target in TARGETS:
        if options.only and not any(word in target.name for word in options.only):
            continue
        share = round(target.share * options.inputs)
        with console.status(target.name) as status:

            def told(done: int, name: str = target.name, of: int = share) -> None:
                status.update(f"{name}: {done:,} of {of:,}")

            found.append(tried(target, share, options.seed, told))
        one = found[-1]
        console.print(
            f"{one.name}: {one.inputs:,} inputs, {one.refused:,} refused, {one.seconds:.0f} s,"
            f" slowest {one.slowest_s:.2f} s, {one.grown_mb:+.1f} MB",
            style="red" if one.wrong else "", markup=False,
        )  # fmt: skip
        for line in one.wrong:
            console.print(f"  {line}", style="red", markup=False)
        for number, _ in one.crashes:
            SAVED.mkdir(parents=True, exist_ok=True)
            file = SAVED / f"{target.name.replace(' ', '_')}-{options.seed}-{number}"
            file.write_bytes(spoilt(target.good(), target.name, options.seed, number))
            console.print(f"  saved: {file}", markup=False)
    if not options.only:
        rows = [{**asdict(one), "leaks": one.leaks} for one in found]
        total = sum(one.inputs for one in found)
        results = {"seed": options.seed, "inputs": total, "targets": rows}
        RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    return 1 if any(one.wrong for one in found) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
