"""The talking half's view of the stop guard: its status comes in, a wish to hold goes out.

A client of the guard's status address and nothing else: it shares no code with the guard,
and nothing that it can send ends a hold. A guard that is silent or gone counts as tripped.
A thread reads; the session is told of every change.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tablevoice.errors import FileRefused, Problem
from tablevoice.marked_yaml import read_marked_yaml
from tablevoice.model import GuardView

SILENT_AFTER_S = 1.0
"""The guard says its state every 250 ms; four missed ones are silence."""

TRY_AGAIN_S = 0.25
LONGEST_LINE_BYTES = 64 * 1024

SILENT = GuardView(
    "silent",
    permit=False,
    proven=False,
    why="The stop guard does not answer.",
    why_not_proven="The stop guard does not answer.",
)


def status_address(guard_file: Path) -> str:
    """Where the guard of this file tells its status: a socket's path or ``host:port``.

    Reads only that much of the file; the guard itself checks the rest. Raises FileRefused.
    """
    marked = read_marked_yaml(guard_file)
    value = marked.value
    if not isinstance(value, dict):
        problem = Problem("this is no guard file.", str(guard_file), "See examples/guard.")
        raise FileRefused([problem])
    folder = (guard_file.parent / str(value.get("state", "guard_state"))).resolve()
    return str(value.get("status", folder / "status.sock"))


def start_guard(guard_file: Path) -> None:
    """Start the guard as a process of its own, which outlives this one.

    One that runs already makes a second one end at once, so this does no harm.
    """
    subprocess.Popen(
        [sys.executable, "-m", "tablevoice.guard", str(guard_file)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


class StopGuardLink:
    """A connection to the guard at ``address`` that is kept up; a context manager.

    ``changed`` is called on the link's thread with each new view, first of all with what
    is found at the start (``SILENT`` when nobody answers).
    """

    def __init__(self, address: str, changed: Callable[[GuardView], None]) -> None:
        self._address = address
        self._changed = changed
        self._view: GuardView | None = None
        self._ending = threading.Event()
        self._socket: socket.socket | None = None
        self._asking = threading.Lock()
        self._wish: str | None = None
        self._thread = threading.Thread(target=self._follow, name="stop guard", daemon=True)

    def __enter__(self) -> StopGuardLink:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the connection; the guard goes on."""
        self._ending.set()
        with self._asking:
            if self._socket is not None:
                self._socket.close()
                self._socket = None
        self._thread.join(2 * SILENT_AFTER_S)

    def ask_hold(self, kind: str) -> None:
        """Ask for a hold (``pause`` or ``stop``); kept until the guard has been reached."""
        with self._asking:
            self._wish = kind
            self._send_wish()

    def _send_wish(self) -> None:
        if self._wish is None or self._socket is None:
            return
        try:
            self._socket.sendall(json.dumps({"hold": self._wish}).encode() + b"\n")
            self._wish = None
        except OSError:
            pass  # the reader notices the loss, and the wish goes out after the next connect

    def _follow(self) -> None:
        while not self._ending.is_set():
            try:
                with _connected(self._address) as connection:
                    connection.settimeout(SILENT_AFTER_S)
                    with self._asking:
                        self._socket = connection
                        self._send_wish()
                    self._read(connection)
            except OSError:
                pass  # not there, gone or silent: said just below, and tried again
            finally:
                with self._asking:
                    self._socket = None
            if not self._ending.is_set():
                self._tell(SILENT)
                self._ending.wait(TRY_AGAIN_S)

    def _read(self, connection: socket.socket) -> None:
        waiting = b""
        while not self._ending.is_set():
            data = connection.recv(LONGEST_LINE_BYTES)
            if not data:
                return
            *lines, waiting = (waiting + data).split(b"\n")
            if len(waiting) > LONGEST_LINE_BYTES:
                return
            for line in lines:
                view = read_view(line)
                if view is not None:
                    self._tell(view)

    def _tell(self, view: GuardView) -> None:
        if view != self._view:
            self._view = view
            self._changed(view)


def read_view(line: bytes) -> GuardView | None:
    """One line of the guard; ``None`` for lines that are no status.

    A status that cannot be read counts as silence.
    """
    try:
        message: Any = json.loads(line)
    except (ValueError, RecursionError):
        return SILENT
    if not isinstance(message, dict):
        return SILENT
    if message.get("type") != "status":
        return None
    try:
        if message["v"] != 1:
            return SILENT
        permit, state = message["permit"], message["state"]
        return GuardView(
            state=str(state),
            # Anything but a plain yes, in the one state that may have it, is a no.
            permit=permit is True and state == "permitted",
            proven=message["proven"] is True,
            why=str(message["why"]),
            why_not_proven=str(message["why_not_proven"]),
            causes=tuple(str(cause) for cause in message["causes"]),
        )
    except (KeyError, TypeError):
        return SILENT


def _connected(address: str) -> socket.socket:
    host, colon, port = address.rpartition(":")
    if colon and port.isdecimal() and "/" not in host:
        return socket.create_connection((host, int(port)), SILENT_AFTER_S)
    if not hasattr(socket, "AF_UNIX"):  # Windows: the guard file names host:port there
        raise OSError("no Unix sockets on this system")
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        connection.settimeout(SILENT_AFTER_S)
        connection.connect(address)
    except OSError:
        connection.close()
        raise
    return connection
