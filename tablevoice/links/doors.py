"""One peer's way in and out: its rights, and ids of its own that meet nobody else's.

Pure. Two controllers may both call their first event "1"; inside the table each id carries
its door's name, and on the way out it is taken off again. What other peers asked is told
too, with the whole id, so that a screen can follow all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from tablevoice.errors import MessageRefused
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.links.rights import ALL_RIGHTS, Right, check_right

_MARK = "/"


def door_of(message_id: str) -> str:
    """The name of the door through which something with this id came in, "" for none."""
    name, mark, _ = message_id.partition(_MARK)
    return name if mark else ""


@dataclass(frozen=True, slots=True)
class Door:
    """``name``: the link's, without a slash; "" for the link that needs no name of its own."""

    name: str = ""
    rights: frozenset[Right] = ALL_RIGHTS

    def inward(self, message: Inbound) -> Inbound:
        """The message as the table is to have it. Raises MessageRefused without the right.

        The refusal carries the id as the peer gave it.
        """
        check_right(message, self.rights, self.name or "the controller")
        given = getattr(message, "id", None)
        if not self.name or given is None:
            return message
        return message.model_copy(update={"id": f"{self.name}{_MARK}{given}"})

    def outward(self, message: Outbound) -> Outbound:
        """The message as the peer is to have it."""
        given = getattr(message, "id", None)
        if given is None or not self.owns(message):
            return message
        return message.model_copy(update={"id": given.removeprefix(self.name + _MARK)})

    def owns(self, message: Outbound) -> bool:
        """Whether the message answers, or tells of, something that this peer sent."""
        given = getattr(message, "id", None)
        return bool(self.name) and given is not None and given.startswith(self.name + _MARK)

    def refused(self, refused: MessageRefused) -> MessageRefused:
        """A refusal as the table is to report it: so that ``outward`` finds its way back."""
        if not self.name or refused.message_id is None:
            return refused
        problem = refused.problem
        return MessageRefused(
            problem.what, where=problem.where, do=problem.do,
            message_id=f"{self.name}{_MARK}{refused.message_id}",
        )  # fmt: skip
