"""What a fault is, and what became of the table under it.

Knows no fault in particular. A fault is a small class: how to break something, how to make
it whole again, and what must have been seen meanwhile. Faults are carried out by
:mod:`benchmarks.faults.trial`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from benchmarks.faults.bench import Bench


class Fault(Protocol):
    """One thing that breaks. A new one is made for each time it is tried."""

    name: str
    """As a reader of the table knows it, such as "microphone gone in mid-word"."""

    def breaks(self, bench: Bench) -> None:
        """Break it, with whatever of the table's work it has to catch."""

    def heals(self, bench: Bench) -> None:
        """Make it whole again; also called when ``breaks`` failed, harmless if all is well."""

    def holds(self, bench: Bench) -> list[str]:
        """What should have been seen while it was broken, and was not; empty when all was."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of the table in one trial; ``wrong`` is empty when it held.

    ``told``: the problems it reported meanwhile. ``ended``: the session ended, with a reason.
    ``back_s``: from the healing until a line had sounded and a spoken word was heard again.
    """

    name: str
    events: int
    told: tuple[str, ...] = ()
    ended: str = ""
    back_s: float | None = None
    wrong: tuple[str, ...] = field(default=())
