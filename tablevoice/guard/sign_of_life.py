"""The guard's sign of life to the service manager: sent by the loop itself, as it goes round.

Datagrams of sd_notify(3), written once ahead; one is handed over every few seconds, after the
permit has been served, and never waited for: a service manager that does not read, or is
gone, costs a turn some microseconds. A guard that hangs says nothing and is started again,
with the permit off. Without a service manager every call does nothing.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping, MutableMapping

READY, ALIVE, ENDING = b"READY=1", b"WATCHDOG=1", b"STOPPING=1"


class SignOfLife:
    """``every_ns``: a third of the silence that it bears; 0 when it wants no sign of life."""

    def __init__(self, address: str = "", every_ns: int = 0) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._every_ns = every_ns
        self._next_ns = 0
        self._socket: socket.socket | None = None
        if address and hasattr(socket, "AF_UNIX"):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.setblocking(False)

    @classmethod
    def of(cls, environment: MutableMapping[str, str]) -> SignOfLife:
        """That of ``environment``, whose variables are taken out: the reporter is no service."""
        address = environment.pop("NOTIFY_SOCKET", "")
        every_ns = _every_ns(environment)
        for name in ("WATCHDOG_USEC", "WATCHDOG_PID"):
            environment.pop(name, None)
        return cls(address, every_ns)

    def ready(self) -> None:
        """The inputs are being watched."""
        self._tell(READY)

    def turned(self, now_ns: int) -> None:
        """The loop went round once more."""
        if self._every_ns and now_ns >= self._next_ns:
            self._next_ns = now_ns + self._every_ns
            self._tell(ALIVE)

    def ending(self) -> None:
        """The guard was told to end."""
        self._tell(ENDING)

    def _tell(self, line: bytes) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto(line, self._address)
        except OSError:
            pass  # it does not read now, or is being started anew: the next line tells


def _every_ns(environment: Mapping[str, str]) -> int:
    wanted, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not wanted.isdecimal() or pid not in ("", str(os.getpid())):
        return 0
    return int(wanted) * 1_000 // 3
