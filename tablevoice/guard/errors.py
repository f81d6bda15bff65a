"""The one error the guard raises on purpose: what is wrong, where, and what to do next.

It has the same shape as the errors of the rest of the package and is written again here
because the guard imports nothing of it.
"""

from __future__ import annotations


class GuardRefused(Exception):
    """The guard cannot start, or cannot go on, for a reason a person can put right."""

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.what, self.where, self.do = what, where, do
        text = f"{where}: {what}" if where else what
        super().__init__(f"{text} {do}".rstrip() if do else text)
