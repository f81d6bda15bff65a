"""The guard's inputs: every contact read as a level, whatever it hangs on.

The loop calls ``service`` (take in what has arrived), ``level`` (the reading of a moment, with
its age judged) and ``ask`` (send the next request); none of them waits. A reading is as old as
the moment its request left, so an answer that was long on its way is late by itself.
"""

from __future__ import annotations

import random
import selectors
import socket
import stat
from collections.abc import Sequence
from pathlib import Path

from tablevoice.guard.contacts import WatchedContact
from tablevoice.guard.latch import Level, Reset
from tablevoice.guard.modbus_frames import read_discrete_inputs
from tablevoice.guard.modbus_link import Answer, ModbusLink
from tablevoice.guard.settings import ModbusInput, Settings, SimulatedInput, Source

MS = 1_000_000
GIVE_UP_NS = 250 * MS
SIMULATED_LATE_NS = 200 * MS
SIMULATED_READ_AT_MOST = 64
FAR_AWAY_NS = 1 << 62


class ModbusBlock:
    """One remote I/O block: all its inputs in one request, one request at a time."""

    def __init__(
        self,
        host: str,
        port: int,
        unit: int,
        addresses: Sequence[int],
        settings: Settings,
        selector: selectors.BaseSelector,
    ) -> None:
        self.link = ModbusLink(host, port, unit, GIVE_UP_NS, selector)
        self._first = min(addresses)
        self._request = read_discrete_inputs(self._first, max(addresses) - self._first + 1)
        self._late_ns, self._poll_ns = settings.late_ns, settings.poll_ns
        self._bits: tuple[bool, ...] = ()
        self._read_ns = 0
        self.ask_at_ns = 0
        """When the next request is due; it also waits for the answer to the last one."""
        self._jitter = random.Random()

    def service(self, now_ns: int) -> None:
        for reply in self.link.service(now_ns):
            if isinstance(reply, Answer):
                self._bits, self._read_ns = reply.bits, reply.sent_ns

    def ask(self, now_ns: int) -> None:
        if now_ns >= self.ask_at_ns and self.link.up and not self.link.busy:
            self.link.send(self._request, now_ns)
            # Never in step with a contact that rattles: even polls could meet it closed each time.
            self.ask_at_ns = now_ns + int(self._poll_ns * self._jitter.uniform(0.4, 1.0))

    def level(self, address: int, now_ns: int) -> Level:
        if self.link.nonsense:
            return Level.NONSENSE
        if not self.link.up or not self._bits:
            return Level.UNREADABLE
        if now_ns - self._read_ns > self._late_ns:
            return Level.LATE
        return Level.CLOSED if self._bits[address - self._first] else Level.OPEN


class SimulatedContact:
    """A level that some process must refresh at least every 200 ms; its silence is late."""

    def __init__(self, source: SimulatedInput, selector: selectors.BaseSelector) -> None:
        self._open_word = b"open " + source.token.encode() if source.token else b"open"
        self._closed_word = b"closed " + source.token.encode() if source.token else b"closed"
        if "/" in source.address:
            path = Path(source.address)
            if path.exists() and stat.S_ISSOCK(path.stat().st_mode):
                path.unlink()
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.bind(source.address)
            path.chmod(0o600)
        else:
            host, _, port = source.address.rpartition(":")
            self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self._socket.bind((host, int(port)))
        self._socket.setblocking(False)
        selector.register(self._socket, selectors.EVENT_READ)
        self._level = Level.UNREADABLE
        self._read_ns = 0
        self._passing: Level | None = None
        """The worst of several words that came in one turn."""

    def service(self, now_ns: int) -> None:
        for _ in range(SIMULATED_READ_AT_MOST):
            try:
                word = self._socket.recv(64)
            except (BlockingIOError, InterruptedError):
                return
            except OSError:
                self._level = Level.UNREADABLE
                return
            if word == self._closed_word:
                self._level = Level.CLOSED
            else:
                self._level = Level.OPEN if word == self._open_word else Level.NONSENSE
                self._passing = self._level
            self._read_ns = now_ns

    def level(self, now_ns: int) -> Level:
        passing, self._passing = self._passing, None
        if passing is not None:
            return passing
        if self._level is not Level.UNREADABLE and now_ns - self._read_ns > SIMULATED_LATE_NS:
            return Level.LATE
        return self._level


class Inputs:
    """All inputs of a guard file and its reset contact."""

    def __init__(self, settings: Settings, selector: selectors.BaseSelector) -> None:
        self._late_ns = settings.late_ns
        sources: list[Source] = [*(one.source for one in settings.inputs), settings.reset]
        addresses: dict[tuple[str, int, int], list[int]] = {}
        for source in sources:
            if isinstance(source, ModbusInput):
                key = (source.host, source.port, source.unit)
                addresses.setdefault(key, []).append(source.address)
        self._blocks = {
            key: ModbusBlock(*key, addresses=found, settings=settings, selector=selector)
            for key, found in addresses.items()
        }
        self._points: list[ModbusInput | SimulatedContact | WatchedContact] = []
        for place, source in enumerate(sources):
            if isinstance(source, ModbusInput):
                self._points.append(source)
            elif isinstance(source, SimulatedInput):
                self._points.append(SimulatedContact(source, selector))
            else:
                as_reset = place == len(sources) - 1
                self._points.append(WatchedContact(source, as_reset))

    def service(self, now_ns: int) -> None:
        """Take in what has arrived."""
        for block in self._blocks.values():
            block.service(now_ns)
        for point in self._points:
            if isinstance(point, SimulatedContact):
                point.service(now_ns)

    def ask(self, now_ns: int) -> None:
        """Send the requests that are due."""
        for block in self._blocks.values():
            block.ask(now_ns)

    @property
    def ask_at_ns(self) -> int:
        """When the next request is due, of the links that have none under way."""
        return min(
            (
                block.ask_at_ns
                for block in self._blocks.values()
                if block.link.up and not block.link.busy
            ),
            default=FAR_AWAY_NS,
        )

    def levels(self, now_ns: int) -> tuple[tuple[Level, ...], Reset]:
        """The reading of this moment: one level an input, and the reset contact."""
        *levels, reset = [self._level(point, now_ns) for point in self._points]
        if reset is Level.CLOSED:
            return tuple(levels), Reset.PRESSED
        return tuple(levels), Reset.REST if reset is Level.OPEN else Reset.UNREADABLE

    def links(self) -> dict[str, str]:
        """What is wrong with each block's link now; an empty text is a good link."""
        return {
            block.link.where: "" if block.link.up else block.link.why_down
            for block in self._blocks.values()
        }

    def _level(self, point: ModbusInput | SimulatedContact | WatchedContact, now_ns: int) -> Level:
        if isinstance(point, ModbusInput):
            return self._blocks[point.host, point.port, point.unit].level(point.address, now_ns)
        if isinstance(point, SimulatedContact):
            return point.level(now_ns)
        return point.level(now_ns, self._late_ns)
