"""Breaks everything several times: ``python -m benchmarks.faults [--times N] [--only WORDS]``.

Then floods the table for a minute and kills it 200 times, unless only some faults are asked for.

Progress goes to standard error; what happened into ``benchmarks/fault_results.json``, and
from there into the README's table.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import cast

from rich.console import Console

from benchmarks.faults.bench import Bench
from benchmarks.faults.catalogue import GROUPS
from benchmarks.faults.fault import Outcome
from benchmarks.faults.flood import flood, idle_warnings
from benchmarks.faults.killing import killed_again_and_again
from benchmarks.faults.results import FLOOD, KILLS, keep_part, kept, write_readme
from benchmarks.faults.room import SoundRoom
from benchmarks.faults.trial import tried

RATE_HZ = 10_000
SEED, PAUSE_S = 7, 0.3


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faults", description=__doc__)
    parser.add_argument("--times", type=int, default=5, help="how often each fault is tried")
    parser.add_argument("--flood", type=float, default=60.0, help="seconds of flood")
    parser.add_argument("--kills", type=int, default=200, help="sessions killed")
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
                        if not options.dry:
                            kept(outcomes)  # an hour's work is not to hang on its last minute
                        _show(console, outcome, time.monotonic() - began_s)
        wrong = [line for outcome in outcomes for line in outcome.wrong]
        more: dict[str, dict[str, object]] = {}
        if _asked(FLOOD, options.only) and options.flood:
            more[FLOOD] = _flooded(Path(name, "flood"), room, options.flood, console)
        if _asked(KILLS, options.only) and options.kills:
            more[KILLS] = _killed(Path(name, "kills"), room, options.kills, console)
    wrong += [line for row in more.values() for line in cast(list[str], row["wrong"])]
    if not options.dry:
        for part, row in more.items():
            keep_part(part, row)
        write_readme()
    for line in wrong:
        console.print(f"WRONG {line}", style="red", markup=False)
    return 1 if wrong else 0


def _flooded(folder: Path, room: SoundRoom, for_s: float, console: Console) -> dict[str, object]:
    with Bench(folder, room) as bench:
        bench.start()
        idle_ms = idle_warnings(bench, 20)
        result = flood(bench, for_s, RATE_HZ)
    row = {**dataclasses.asdict(result), "seconds": for_s, "idle_warning_ms": idle_ms}
    console.print(f"{FLOOD}: {row}", markup=False)
    return row


def _killed(folder: Path, room: SoundRoom, kills: int, console: Console) -> dict[str, object]:
    def told(done: int) -> None:
        if done % 10 == 0:
            console.print(f"{KILLS}: {done} of {kills}", markup=False)

    row = dataclasses.asdict(killed_again_and_again(folder, room, kills, SEED, told, PAUSE_S))
    console.print(f"{KILLS}: {row}", markup=False)
    return row


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
