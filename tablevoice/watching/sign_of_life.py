"""Tells the service manager how this process is: ready, alive, ending, and a line for a person.

The protocol is sd_notify(3): datagrams of ``NAME=value`` to the socket named in NOTIFY_SOCKET.
Knows nothing of tables. Never waits and never raises: a service manager that does not read
must not hold up a table. Without one, every call does nothing.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Mapping, MutableMapping

LONGEST_STATUS = 200

STARTING_FOR_S = 60
"""How long one step of opening may take: the longest, rendering one line, takes ten seconds."""


class SignOfLife:
    """``ping_every_s``: how often it wants a sign of life, a third of what it allows; else None."""

    def __init__(self, address: str = "", ping_every_s: float | None = None) -> None:
        self.ping_every_s = ping_every_s if address else None
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._starting_told_s = 0.0
        self._socket: socket.socket | None = None
        if address and hasattr(socket, "AF_UNIX"):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    @classmethod
    def of(cls, environment: MutableMapping[str, str]) -> SignOfLife:
        """That of ``environment``, whose variables are taken out: children are not the service."""
        address = environment.pop("NOTIFY_SOCKET", "")
        ping_every_s = _ping_every_s(environment)
        for name in ("WATCHDOG_USEC", "WATCHDOG_PID"):
            environment.pop(name, None)
        return cls(address, ping_every_s)

    def starting(self, text: str) -> None:
        """Opening goes on and may take a while longer; told once a second at most."""
        now_s = time.monotonic()
        if now_s - self._starting_told_s >= 1.0:
            self._starting_told_s = now_s
            self._tell(f"EXTEND_TIMEOUT_USEC={STARTING_FOR_S * 1_000_000}")
            self.status(text)

    def ready(self) -> None:
        """The table takes events."""
        self._tell("READY=1")

    def alive(self) -> None:
        """Everything goes round."""
        self._tell("WATCHDOG=1")

    def status(self, text: str) -> None:
        """A line that ``systemctl status`` shows."""
        self._tell("STATUS=" + " ".join(text.split())[:LONGEST_STATUS])

    def ending(self) -> None:
        """The table is being closed, in order."""
        self._tell("STOPPING=1")

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _tell(self, line: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto(line.encode(), self._address)
        except OSError:
            pass  # it does not read now, or is being started anew: the next line tells


def _ping_every_s(environment: Mapping[str, str]) -> float | None:
    wanted, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not wanted.isdecimal() or int(wanted) == 0 or pid not in ("", str(os.getpid())):
        return None
    return int(wanted) / 1e6 / 3.0
