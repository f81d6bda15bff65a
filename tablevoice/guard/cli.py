"""The guard's command line: check the file, walk through the proof, or guard.

``python -m tablevoice.guard guard.yaml`` runs until it is told to end (SIGTERM, Ctrl-C) and
leaves with the permit off.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from tablevoice.guard.cautions import CAUTIONS
from tablevoice.guard.channel import Channel
from tablevoice.guard.errors import GuardRefused
from tablevoice.guard.lock import take_lock
from tablevoice.guard.loop import Guard
from tablevoice.guard.priority import ask_for_all
from tablevoice.guard.proof_file import read_proofs
from tablevoice.guard.prove import prove
from tablevoice.guard.settings import load_settings
from tablevoice.guard.sign_of_life import SignOfLife


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; 0 = ended as told, 2 = refused."""
    parser = argparse.ArgumentParser(
        prog="tablevoice guard",
        description="Watch physical stop inputs and hold a permit for the cell's controller.",
        epilog="CAUTION\n" + "\n".join(f"- {caution}" for caution in CAUTIONS),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("file", type=Path, help="the guard file (YAML)")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--check", action="store_true", help="check the file and end")
    what.add_argument(
        "--prove", action="store_true", help="walk through pressing every stop of a running guard"
    )
    arguments = parser.parse_args(argv)
    try:
        settings = load_settings(arguments.file)
        if arguments.check:
            stops = sum(not one.protective for one in settings.inputs)
            print(f"{arguments.file}: fine. {stops} stop inputs, {len(settings.inputs)} inputs.")
            return 0
        if arguments.prove:
            return prove(settings, lambda text: print(text, flush=True))
        service = SignOfLife.of(os.environ)
        lock = take_lock(settings.state_folder)
        with lock:
            channel = Channel(settings)
            channel.start()
            ended: list[int] = []
            for number in (signal.SIGTERM, signal.SIGINT):
                signal.signal(number, lambda got, _frame: ended.append(got))
            favour = ask_for_all()
            for refused in favour.refused:
                print(f"guard: {refused}", file=sys.stderr)
            guard = Guard(settings, favour, channel, read_proofs(settings.state_folder), service)
            print(f"guard: watching {settings.table}. {CAUTIONS[0]}", flush=True)
            guard.run(lambda: bool(ended))
    except GuardRefused as refusal:
        print(f"guard: {refusal}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return 0
