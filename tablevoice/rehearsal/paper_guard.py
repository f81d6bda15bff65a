"""A stop guard on paper: what the talking half would see of a real one, in virtual time.

Knows the guard's words and nothing of its inputs; it proves nothing about the real one, which
has tests of its own. Stands in for it where a guarded table is rehearsed.
"""

from __future__ import annotations

from typing import Protocol

from tablevoice.model import GuardView

ARMED = GuardView("permitted", permit=True, proven=True)


class StopContacts(Protocol):
    """A hand on the stop and the reset, and an eye on the guard."""

    def now(self) -> GuardView:
        """The guard's view at the start."""

    def ask_hold(self, kind: str) -> GuardView:
        """Pass a spoken wish on, and give what the guard makes of it."""

    def press_stop(self) -> tuple[GuardView, float | None]:
        """Press the stop; the guard's view then, and the ms that it took, if it was measured."""

    def release_and_reset(self) -> GuardView:
        """Let go of the stop and operate the reset; the guard's view after that."""


class PaperGuard:
    """A guard that is armed and proven, and does at once what it is told."""

    def now(self) -> GuardView:
        return ARMED

    def ask_hold(self, kind: str) -> GuardView:
        return GuardView("held", permit=False, proven=True, why=f"A voice asked for a {kind}.",
                         causes=(f"asked: {kind}",))  # fmt: skip

    def press_stop(self) -> tuple[GuardView, None]:
        why = "Stopped. Reset at the machine."
        return GuardView("tripped", permit=False, proven=True, why=why, causes=("stop",)), None

    def release_and_reset(self) -> GuardView:
        return ARMED
