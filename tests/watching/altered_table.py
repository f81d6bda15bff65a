"""``tablevoice run`` whose parts hang while a file of that name stands beside the cell file.

``hang_ear``, ``hang_record`` and ``hang_loop``; how long a hang must last to count, and how
often old sound is looked for, are a second or less. Started by the tests.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tablevoice import session
from tablevoice.cli import app
from tablevoice.listening.ear import Ear
from tablevoice.session_records import Record
from tablevoice.table import Table
from tablevoice.watching import health

FOLDER = Path(sys.argv[2]).parent


def hanging(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
    """``work``, which waits first while the file stands there."""

    def hang(*given: Any, **named: Any) -> Any:
        while (FOLDER / f"hang_{name}").exists():
            time.sleep(0.02)
        return work(*given, **named)

    return hang


if __name__ == "__main__":
    health.LOOP_HUNG_S = health.EAR_HUNG_S = health.DISK_HUNG_S = 1.0
    session.TIDY_EVERY_S = 0.2
    parts: tuple[tuple[str, Any, str], ...] = (
        ("ear", Ear, "feed"), ("record", Record, "received"), ("loop", Table, "receive"),
    )  # fmt: skip
    for name, owner, method in parts:
        setattr(owner, method, hanging(name, getattr(owner, method)))
    app()
