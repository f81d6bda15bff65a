"""Contacts wired to this computer: a GPIO line, a serial control line, a key.

Each device class answers one question, whether the contact is closed right now, and may take
as long as its driver likes: a :class:`WatchedContact` asks from a thread of its own and the
loop only looks at the last answer and its age, so a hung driver is one late input and delays
no other. The libraries are imported only where such an input is named.
"""

from __future__ import annotations

import importlib
import threading
import time
from typing import Any, Protocol

from tablevoice.guard.clock import now_ns
from tablevoice.guard.errors import GuardRefused
from tablevoice.guard.latch import Level
from tablevoice.guard.priority import ask_for_real_time
from tablevoice.guard.settings import GpioInput, KeyInput, SerialInput

EVERY_S = 0.002
REOPEN_AFTER_S = 1.0


class Contact(Protocol):
    """A device opened for one contact."""

    def closed(self) -> bool:
        """Whether the contact is closed; also False when it was open since the last call."""

    def close(self) -> None:
        """Give the device back, so that it can be opened anew."""


class GpioContact:
    """A line of a GPIO character device, by ``gpiod`` 2; the bias makes a broken wire read open."""

    def __init__(self, source: GpioInput) -> None:
        gpiod = _library("gpiod", "a gpio input")
        line = gpiod.line
        self._line = source.line
        self._active = line.Value.ACTIVE
        self._closed_is_active = source.closed_when == "high"
        self._request = gpiod.request_lines(
            source.chip,
            consumer="tablevoice guard",
            config={
                source.line: gpiod.LineSettings(
                    direction=line.Direction.INPUT,
                    bias=line.Bias.PULL_DOWN if self._closed_is_active else line.Bias.PULL_UP,
                    edge_detection=line.Edge.BOTH,
                )
            },
        )

    def closed(self) -> bool:
        moved = False
        while self._request.wait_edge_events(0):
            self._request.read_edge_events()
            moved = True
        active = self._request.get_value(self._line) == self._active
        return bool(active == self._closed_is_active) and not moved

    def close(self) -> None:
        self._request.release()


class SerialContact:
    """DSR or CTS of a serial port, by ``pyserial``: a loop from DTR or RTS through the contact."""

    def __init__(self, source: SerialInput) -> None:
        serial = _library("serial", "a serial input")
        self._port = serial.Serial(source.device, exclusive=True)
        self._port.dtr = True
        self._port.rts = True
        self._line = source.line

    def closed(self) -> bool:
        return bool(getattr(self._port, self._line))

    def close(self) -> None:
        self._port.close()


class KeyContact:
    """A key of an input device, by ``evdev``, taken for the guard alone.

    As a stop the contact is closed while the key is up; as a reset while it is down. Whether
    the device is still there is seen; a broken wire inside the button is not.
    """

    def __init__(self, source: KeyInput, closed_when_down: bool) -> None:
        evdev = _library("evdev", "a key input")
        code = evdev.ecodes.ecodes.get(source.key)
        if not isinstance(code, int):
            raise GuardRefused(
                f"`{source.key}` is no key name", where=source.device, do="For example KEY_SPACE."
            )
        self._code = code
        self._key_kind = evdev.ecodes.EV_KEY
        self._closed_when_down = closed_when_down
        self._device = evdev.InputDevice(source.device)
        self._device.grab()

    def closed(self) -> bool:
        went_down = False
        while (event := self._device.read_one()) is not None:
            if event.type == self._key_kind and event.code == self._code and event.value:
                went_down = True
        down = self._code in self._device.active_keys()
        if self._closed_when_down:
            return bool(down)
        return not (down or went_down)

    def close(self) -> None:
        self._device.close()


class WatchedContact:
    """One contact, read every 2 ms by a thread; the loop asks ``level``."""

    def __init__(self, source: GpioInput | SerialInput | KeyInput, as_reset: bool) -> None:
        self._source, self._as_reset = source, as_reset
        self._latest: tuple[Level, int] = (Level.UNREADABLE, 0)
        self._times_not_closed = 0
        self._times_seen = 0
        try:  # a missing library or device is told at the start
            self._open().close()
        except (OSError, ValueError) as problem:
            where = source.chip if isinstance(source, GpioInput) else source.device
            raise GuardRefused(
                f"cannot be watched: {problem}.",
                where=where,
                do="Check the name in the guard file, the plug, and who may open the device.",
            ) from problem
        threading.Thread(target=self._watch, daemon=True).start()

    def level(self, at_ns: int, late_ns: int) -> Level:
        """The newest reading; not CLOSED once more when it was not closed in between."""
        level, read_ns = self._latest
        times = self._times_not_closed
        if level is Level.CLOSED and times != self._times_seen:
            level = Level.OPEN
        self._times_seen = times
        if level is not Level.UNREADABLE and at_ns - read_ns > late_ns:
            return Level.LATE
        return level

    def _open(self) -> Contact:
        if isinstance(self._source, GpioInput):
            return GpioContact(self._source)
        if isinstance(self._source, SerialInput):
            return SerialContact(self._source)
        return KeyContact(self._source, closed_when_down=self._as_reset)

    def _watch(self) -> None:
        ask_for_real_time()
        while True:
            contact: Contact | None = None
            try:
                contact = self._open()
                while True:
                    before_ns = now_ns()
                    level = Level.CLOSED if contact.closed() else Level.OPEN
                    if level is not Level.CLOSED:
                        self._times_not_closed += 1
                    self._latest = (level, before_ns)
                    time.sleep(EVERY_S)
            except Exception:  # noqa: BLE001  (a driver may raise anything, and all of it means stop)
                self._times_not_closed += 1
                self._latest = (Level.UNREADABLE, now_ns())
                try:  # it is held for the guard alone: not given back, it would refuse for ever
                    if contact is not None:
                        contact.close()
                except Exception:  # noqa: BLE001, S110  (a device that is gone may refuse this too)
                    pass
                time.sleep(REOPEN_AFTER_S)


def _library(name: str, needed_for: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as problem:
        package = {"serial": "pyserial"}.get(name, name)
        raise GuardRefused(
            f"{needed_for} needs the package {package}",
            where="guard file",
            do=f"Install {package}, or use another kind of input.",
        ) from problem
