"""Breaks everything several times: ``python -m benchmarks.faults [--times N] [--only WORDS]``.

Progress goes to standard error; what happened into ``benchmarks/fault_results.json``, and
from there into the README's table.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from benchmarks.faults.catalogue import GROUPS
from benchmarks.faults.fault import Outcome
from benchmarks.faults.results import kept, write_readme
from benchmarks.faults.room import SoundRoom
from benchmarks.faults.trial import tried


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faults", description=__doc__)
    parser.add_argument("--times", type=int, default=5, help="how often each fault is tried")
    parser.add_argument("--only", nargs="*", default=[], help="faults whose name has this in it")
    parser.add_argument("--dry", action="store_true", help="keep no results")
    options = parser.parse_args(arguments)
    console = Console(stderr=True)
    outcomes: list[Outcome] = []
    with tempfile.TemporaryDirectory(prefix="tv") as name, SoundRoom(Path(name, "sound")) as room:
        for group in GROUPS:
            folder = Path(name, group.name.replace(" ", "_"))
            if group.missing:
                console.print(f"{group.name}: not tried, {group.missing}", style="yellow")
                continue
            if not [one for one in group.faults(folder) if _asked(one.name, options.only)]:
                continue
            with group.bench(folder, room) as bench:
                for _ in range(options.times):
                    for fault in group.faults(folder):
                        if not _asked(fault.name, options.only):
                            continue
                        began_s = time.monotonic()
                        outcome = tried(fault, bench)
                        outcomes.append(outcome)
                        _show(console, outcome, time.monotonic() - began_s)
    if not options.dry:
        kept(outcomes)
        write_readme()
    return 1 if any(outcome.wrong for outcome in outcomes) else 0


def _asked(name: str, words: Sequence[str]) -> bool:
    return not words or any(word in name for word in words)


def _show(console: Console, outcome: Outcome, took_s: float) -> None:
    back = "" if outcome.back_s is None else f"well again in {outcome.back_s:.1f} s"
    console.print(
        f"{outcome.name}: {outcome.events} events, {back} {outcome.ended} ({took_s:.0f} s)",
        style="red" if outcome.wrong else "", markup=False,
    )  # fmt: skip
    for line in outcome.wrong:
        console.print(f"  WRONG {line}", style="red", markup=False)
    for line in dict.fromkeys(outcome.told):
        console.print(f"  told: {line}", markup=False, style="dim")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
