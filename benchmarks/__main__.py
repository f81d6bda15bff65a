"""``make bench``: every speed goal, measured now on this machine, as tables.

Each module here measures one thing with ``measure()`` and compares it, in the same run,
with the plain way of doing it. Name modules to run only those.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

MODULES = (
    "first_sample", "preparing", "voices", "choosing", "recognisers", "verdict_delay", "desk",
    "modbus_link",
)  # fmt: skip


def main(names: Sequence[str]) -> int:
    # pyttsx3 prints a line for every file it makes: the tables go where it does not.
    console = Console(stderr=True)
    missed = 0
    for name in names or MODULES:
        module = importlib.import_module(f"benchmarks.{name}")
        with console.status(f"measuring {name} …"):
            rows: list[dict[str, Any]] = module.measure()
        table = Table(title=name.replace("_", " "), title_justify="left")
        columns = list(dict.fromkeys(key for row in rows for key in row))
        for column in columns:
            table.add_column(column, overflow="fold")
        for row in rows:
            table.add_row(*(_shown(row.get(column, "")) for column in columns))
        console.print(table)
        missed += sum(row.get("met") is False for row in rows)
    if missed:
        console.print(f"{missed} goals were missed on this machine, now.")
    return 0


def _shown(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
