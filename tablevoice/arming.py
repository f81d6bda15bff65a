"""Whether the stop guard lets the table ask and answer, and what a change of it means.

Pure. Knows the guard's views in their order; what is said about it and what a hold does is
the table's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tablevoice.links.messages import GuardReported
from tablevoice.model import GuardView


@dataclass(frozen=True, slots=True)
class GuardChange:
    """What a view of the guard brings: ``hold`` to impose, ``arms`` ends it, ``news`` to say.

    ``news`` is a key of the phrasebook's ``stop_guard``, ``""`` where nothing is to be said.
    """

    report: GuardReported
    hold: Literal["pause", "stop"] | None
    arms: bool
    news: str


class Arming:
    """The state of a table that a stop guard watches; one that is not ``guarded`` is armed."""

    def __init__(self, guarded: bool) -> None:
        self.guarded = guarded
        self._view: GuardView | None = None
        self._armed = not guarded
        self._was_armed = False

    @property
    def armed(self) -> bool:
        """The table may ask and answer."""
        return self._armed

    @property
    def why_not(self) -> str:
        """Why the table is not armed."""
        view = self._view
        if view is None:
            return "nothing was heard of it yet."
        return view.why or view.why_not_proven or "it says no more."

    def seen(self, view: GuardView, now_s: float) -> GuardChange:
        """The guard says something new."""
        before, was = self._view, self._armed and self._view is not None
        # Proof is asked for before opening; running out of date in the middle of a game
        # it waits for the next opening.
        armed = view.permit and (view.proven or self._was_armed)
        report = GuardReported(
            at_s=now_s, state=view.state, permit=view.permit, proven=view.proven, armed=armed,
            why=view.why or ("" if view.proven else view.why_not_proven), causes=view.causes,
        )  # fmt: skip
        hold: Literal["pause", "stop"] | None = None
        if not armed and (was or before is None):
            hold = "pause" if view.state == "held" else "stop"
        news = self._news(view, armed)
        if before is not None and news == self._news(before, was):
            news = ""
        if news == "held" and all(cause.startswith("asked:") for cause in view.causes):
            news = ""  # the reply to the spoken word has said it already
        if news == "armed" and not self._was_armed:
            news = ""  # the session opens: the greeting is the controller's
        arms = armed and not was
        self._view, self._armed, self._was_armed = view, armed, self._was_armed or armed
        return GuardChange(report, hold, arms, news)

    def _news(self, view: GuardView, armed: bool) -> str:
        if armed:
            return "armed"
        if not view.proven and not self._was_armed and view.state != "silent":
            return "not_proven"
        return view.state
