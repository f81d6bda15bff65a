"""Which message travels on which topic, in and out. Pure; knows no connection.

Below a table's base (``tablevoice/lantern_table``):

* ``in/…``: one topic for each kind of message, so that a broker's access list can tell who may
  send what.
* ``out/…``: what the table tells, by its type; ``others/…``: the same of what other links
  asked, with the whole id.
* ``status``, ``guard``, ``health``: retained, how things stand.
* ``reply/…``: where a peer may have its answers sent (MQTT 5, response topic).
"""

from __future__ import annotations

from dataclasses import dataclass

from tablevoice.errors import MessageRefused
from tablevoice.links import messages
from tablevoice.links.doors import Door
from tablevoice.links.json_lines import encode, read_message
from tablevoice.links.messages import Inbound, Outbound

DOOR = "mqtt"

AT_LEAST_ONCE = ("event", "correct")
"""Kept by the broker while the table is away. Everything else counts now or not at all: a
press, a reset or a close that was kept would be obeyed at a time that nobody meant."""

STANDING = ("status", "guard", "health")

KEPT = ("answer", "done", "error", "hold_request", "corrected", "closed", "guard")
"""Never given up while the broker is away, where they are for peers of this link."""


@dataclass(frozen=True, slots=True)
class Route:
    """Where a peer wants what becomes of its message, and what it knows it by."""

    topic: str
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class Packet:
    """One message on its way out. ``kept``: not to be given up for want of room."""

    topic: str
    payload: bytes
    retain: bool = False
    correlation: bytes | None = None
    kept: bool = False


class Topics:
    """The topics of the table at ``base``."""

    def __init__(self, base: str) -> None:
        self.base = base
        self.replies = f"{base}/reply/"
        self.inbound: dict[str, int] = {
            f"{base}/in/{kind}": int(kind in AT_LEAST_ONCE) for kind in messages.INBOUND_TYPES
        }
        """The topics to listen on, each with its quality of service."""

    def standing(self, what: str) -> str:
        """The topic of something retained, one of ``STANDING``."""
        return f"{self.base}/{what}"

    def read(self, topic: str, payload: bytes, *, retained: bool = False) -> Inbound:
        """The message that came on ``topic``. Raises MessageRefused.

        Only a message of the topic's own type counts: rights go by topic.
        """
        if len(payload) == 0:
            raise MessageRefused("the message is empty.", where=topic, do="Send a JSON object.")
        message = read_message(payload, where=topic)
        given = getattr(message, "id", None)
        if topic != f"{self.base}/in/{message.type}":
            raise MessageRefused(
                f"a message of the type {message.type!r} does not belong here.", where=topic,
                do=f"Send it on {self.base}/in/{message.type}.", message_id=given,
            )  # fmt: skip
        if retained:
            raise MessageRefused(
                "a retained message would come again whenever the table starts.", where=topic,
                do="Send it without the retain flag.", message_id=given,
            )  # fmt: skip
        return message

    def route(self, response_topic: str | None, correlation: bytes | None) -> Route | None:
        """Where to answer, if the peer says. Raises MessageRefused for topics of others.

        The table writes nowhere but below its own base, whatever a peer asks for.
        """
        if response_topic is None:
            return None
        below = response_topic.removeprefix(self.replies)
        if below in ("", response_topic) or any(mark in below for mark in "+#"):
            raise MessageRefused(
                f"answers are not sent to {response_topic[:80]!r}.", where="response topic",
                do=f"Name a topic below {self.replies}, or none: answers are on {self.base}/out/.",
            )  # fmt: skip
        return Route(response_topic, correlation)

    def packets(self, message: Outbound, door: Door, route: Route | None) -> list[Packet]:
        """Everything that is to be sent because of ``message``."""
        given = getattr(message, "id", None)
        ours = not given or door.owns(message)
        payload = encode(door.outward(message)).rstrip(b"\n")
        kept = ours and message.type in KEPT
        side = "out" if ours else "others"
        packets = [Packet(f"{self.base}/{side}/{message.type}", payload, kept=kept)]
        if route is not None:
            packets.append(
                Packet(route.topic, payload, correlation=route.correlation, kept=True)
            )
        return packets
