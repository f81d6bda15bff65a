"""The way to the cell's controller: the permit coil and the heartbeat coil beside it.

Dropping the permit is one small frame, sent at once and past anything outstanding, and once
more when the answer to what was outstanding comes before its own. Every
heartbeat frame carries the permit's state too, so a heartbeat edge can never arrive with an
older permit, and a lost permit-off is repeated with every beat. The loop calls this; when the
permit is wanted is the latch's business.
"""

from __future__ import annotations

import selectors

from tablevoice.guard.latch import Level
from tablevoice.guard.modbus_frames import Request, write_coil, write_coils
from tablevoice.guard.modbus_link import Answer, ModbusLink
from tablevoice.guard.settings import ControllerSettings

MS = 1_000_000
GIVE_UP_NS = 250 * MS


class Controller:
    """The permit and the heartbeat at one Modbus TCP server."""

    def __init__(
        self, settings: ControllerSettings, late_ns: int, selector: selectors.BaseSelector
    ) -> None:
        self.link = ModbusLink(settings.host, settings.port, settings.unit, GIVE_UP_NS, selector)
        self.dropped_to_confirmed_ns: int | None = None
        """How long the last permit-off took to be confirmed; taken away by the reader."""
        self._coil = settings.permit_coil
        self._off: Request = write_coil(self._coil, False)
        self._beat_ns, self._late_ns = settings.heartbeat_ns, late_ns
        self._permit = False
        self._beat = False
        self._beat_at_ns = 0
        self._confirmed_ns: int | None = None
        self._dropped_ns: int | None = None

    def service(self, now_ns: int) -> None:
        """Take in confirmations."""
        for reply in self.link.service(now_ns):
            if isinstance(reply, Answer):
                self._confirmed_ns = max(reply.sent_ns, self._confirmed_ns or 0)
                if self._dropped_ns is None:
                    continue
                if reply.request is self._off:
                    self.dropped_to_confirmed_ns = now_ns - self._dropped_ns
                    self._dropped_ns = None
                else:
                    # The permit-off went past this request; a server that takes one frame of a
                    # packet and throws the rest away (pymodbus does) has not seen it.
                    self.link.send(self._off, now_ns)

    def level(self, now_ns: int) -> Level:
        """The link as the latch sees it: CLOSED while writes are confirmed in time."""
        if self.link.nonsense:
            return Level.NONSENSE
        if not self.link.up or self._confirmed_ns is None:
            return Level.UNREADABLE
        if now_ns - self._confirmed_ns > self._beat_ns + self._late_ns:
            return Level.LATE
        return Level.CLOSED

    def drop(self, now_ns: int) -> None:
        """Permit off, now."""
        self._permit = False
        if self.link.send(self._off, now_ns):
            self._dropped_ns = now_ns

    def allow(self) -> None:
        """Permit on, with the next beat, which is due at once."""
        self._permit = True
        self._dropped_ns = None
        self._beat_at_ns = 0

    def beat(self, now_ns: int) -> None:
        """Toggle the heartbeat when it is due and the last write has been confirmed."""
        if now_ns >= self._beat_at_ns and self.link.up and not self.link.busy:
            self._beat = not self._beat
            if self.link.send(write_coils(self._coil, (self._permit, self._beat)), now_ns):
                self._beat_at_ns = now_ns + self._beat_ns
