"""What waits for a broker that is away or slow: bounded, what is least worth given up first.

Pure. The link puts packets in and sends them in order, several on their way at once; what the
broker did not acknowledge before the connection was lost is sent again.
"""

from __future__ import annotations

from collections import deque

from tablevoice.links.mqtt_topics import Packet

MOST_WAITING = 1000
"""Packets that may be given up: some minutes of what a busy table says and hears."""


class Outbox:
    """Packets in order, but for what is retained: of that only the newest counts, and it goes
    first. ``given_up`` counts what was dropped, oldest first, for want of room: never answers to
    a peer of this link nor requests to hold, whose number the peers and the people bound."""

    def __init__(self, most_waiting: int = MOST_WAITING) -> None:
        self._most = most_waiting
        self._droppable = 0
        self._waiting: deque[Packet] = deque()
        self._flying: list[Packet] = []
        self._standing: dict[str, Packet] = {}
        self._unsent: dict[str, None] = {}
        self.given_up = 0

    def __len__(self) -> int:
        return len(self._waiting) + len(self._flying) + len(self._unsent)

    def put(self, packet: Packet) -> None:
        """One more to send."""
        if packet.retain:
            self._standing[packet.topic] = packet
            self._unsent[packet.topic] = None
            return
        self._waiting.append(packet)
        self._droppable += not packet.kept
        if self._droppable > self._most:
            oldest = next(number for number, one in enumerate(self._waiting) if not one.kept)
            del self._waiting[oldest]
            self._droppable -= 1
            self.given_up += 1

    def connected(self) -> None:
        """A broker that was away may have missed what was on its way, may have forgotten what
        it retained, or may have told that the table is gone."""
        again = [packet for packet in self._flying if not packet.retain]
        self._flying = []
        self._waiting.extendleft(reversed(again))
        self._droppable += sum(not packet.kept for packet in again)
        self._unsent = dict.fromkeys(self._standing)

    def next(self) -> Packet | None:
        """What to send next: on its way from now on, until it was sent."""
        packet = None
        for topic in self._unsent:
            packet = self._standing[topic]
            del self._unsent[topic]
            break
        else:
            if self._waiting:
                packet = self._waiting.popleft()
                self._droppable -= not packet.kept
        if packet is not None:
            self._flying.append(packet)
        return packet

    def sent(self, packet: Packet) -> None:
        """The broker has it."""
        self._flying = [one for one in self._flying if one is not packet]
