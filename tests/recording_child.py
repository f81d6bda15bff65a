"""A child process for the history's crash test: records rows until it is killed.

Prints the number of each row on its own line once the row is recorded, so that the
parent knows which rows were acknowledged.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

from tablevoice.history import History
from tablevoice.model import Event, Spent


def main(path: Path, first: int) -> None:
    with History(path) as history:
        history.begin_session("crash table", "0")
        for number in itertools.count(first):
            history.record_event(float(number), Event(f"e{number}", "turn", {"n": number}))
            history.remember_spent(Spent("turn", "Alder", f"k{number}", number // 50))
            print(number, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
