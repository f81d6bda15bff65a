"""The talking half of the demo as a process of its own, so that it can really be killed.

Plays the show, tells its parent what happens as JSON lines on standard output, and then
stays, connected to the stop guard as an idle table would be, until it is ended.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

from tablevoice.demo.guarded_cell import Bench, Contacts
from tablevoice.demo.playback import Playback
from tablevoice.demo.show import show
from tablevoice.errors import TablevoiceError


def main(folder: str, guard_file: str, control_port: str, quiet: str) -> int:
    bench = Bench(Path(guard_file), int(control_port))
    try:
        with Playback.open(quiet == "quiet") as playback:
            _tell({"type": "playback", "says": playback.says})
            shown = show(
                Path(folder),
                overheard=lambda message: _tell(message.model_dump()),
                preparing=lambda done, of: _tell({"type": "preparing", "done": done, "of": of}),
                pace=playback.pace,
                bench=bench,
            )
        with Contacts(bench):
            _tell({"type": "over", "session_s": shown.session_s, "took_s": shown.took_s})
            time.sleep(60.0)
    except TablevoiceError as error:
        problem = error.problem
        _tell({"type": "failed", "what": problem.what, "where": problem.where, "do": problem.do})
        return 1
    return 0


def _tell(message: dict[str, Any]) -> None:
    print(json.dumps(message), flush=True)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
