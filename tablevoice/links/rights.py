"""What a peer on a link may ask of the table: each kind of message is a right of its own.

Pure. A peer that reports events may do no more than that unless the cell file names the
right: whoever can send an event must not by that be able to end a hold, change what is
remembered or close the table.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal, TypeAlias, get_args

from tablevoice.errors import MessageRefused
from tablevoice.links import messages
from tablevoice.links.messages import Inbound

Right: TypeAlias = Literal["events", "buttons", "corrections", "hold_cleared", "close"]

ALL_RIGHTS: frozenset[Right] = frozenset(get_args(Right))
EVERYDAY_RIGHTS: frozenset[Right] = frozenset({"events", "buttons"})
"""What a peer of a link may do where the cell file says no more."""

_NEEDED: dict[type[Inbound], Right] = {
    messages.EventReported: "events",
    messages.ButtonPressed: "buttons",
    messages.Correct: "corrections",
    messages.HoldClearedReported: "hold_cleared",
    messages.Close: "close",
}
"""A ping needs none."""


def check_right(message: Inbound, rights: Collection[Right], peer: str) -> None:
    """Raises MessageRefused when ``peer`` may not send this message."""
    needed = _NEEDED.get(type(message))
    if needed is not None and needed not in rights:
        raise MessageRefused(
            f"{peer} may not send a message of the type {message.type!r}.", where=peer,
            do=f"Name the right {needed!r} under 'may:' of this link in the cell file, if it "
            "shall.",
            message_id=getattr(message, "id", None),
        )  # fmt: skip
