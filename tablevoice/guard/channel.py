"""The guard's side of the wall to its reporter: a process that records and tells, and may die.

The record, the proofs and the status socket live in a second process, because a thread that
shares the interpreter would share its lock: a thread of ordinary priority can be put aside by
the system while it holds that lock, and the guard would wait for it however high its own
priority. Datagrams go both ways and none is waited for; what does not fit is dropped and
counted. All the reporter can send back is a word that adds a hold.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Mapping

from tablevoice.guard.latch import Level
from tablevoice.guard.settings import Settings

HOLD_WORDS = {b"pause": "pause", b"stop": "stop"}
WORDS_A_TURN = 8
RECORDS_A_SECOND = 50
"""A contact that rattles for hours must not fill a disk; what is beyond is counted."""

RESTART_AFTER_NS = 1_000_000_000


class Channel:
    """Starts the reporter, sends it messages, takes its hold words."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.lost = 0
        """Messages that could not be handed over since the start."""
        self._second = 0
        self._records_this_second = 0
        self._checked_ns = 0
        self._ours: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._alive = False

    def start(self) -> None:
        """Start the reporter (again). Takes some milliseconds: never called with the permit on."""
        self.end()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        # Windows has no datagram pair; a port would pass a shared TCP socket here.
        ours.setblocking(False)
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tablevoice.guard.reporter",
                str(theirs.fileno()),
                str(self._settings.state_folder),
                self._settings.status_address,
            ],
            stdin=subprocess.PIPE,  # its end of file tells the reporter that the guard is gone
            stdout=subprocess.DEVNULL,
            pass_fds=(theirs.fileno(),),
            env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            start_new_session=True,
        )
        theirs.close()
        self._ours = ours
        self._alive = True

    def end(self) -> None:
        """Let the reporter write what it has and end."""
        if self._ours is not None:
            self._ours.close()
            self._ours = None
        if self._process is not None:
            if self._process.stdin is not None:
                self._process.stdin.close()
            try:
                self._process.wait(timeout=2.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None
        self._alive = False

    def level(self, now_ns: int) -> Level:
        """The reporter as the latch sees it: CLOSED while its process lives."""
        if self._alive and now_ns - self._checked_ns > RESTART_AFTER_NS // 4:
            self._checked_ns = now_ns
            self._alive = self._process is not None and self._process.poll() is None
        return Level.CLOSED if self._alive else Level.UNREADABLE

    def hold_request(self) -> str | None:
        """A hold word that came in; anything else is thrown away."""
        if self._ours is None:
            return None
        word: str | None = None
        for _ in range(WORDS_A_TURN):
            try:
                word = HOLD_WORDS.get(self._ours.recv(64), word)
            except OSError:
                break
        return word

    def record(self, kind: str, why: str, now_ns: int) -> None:
        """Hand one line to the record."""
        second = now_ns // 1_000_000_000
        if second != self._second:
            self._second, self._records_this_second = second, 0
        self._records_this_second += 1
        if self._records_this_second > RECORDS_A_SECOND:
            self.lost += 1
            return
        self.send(
            {
                "type": "record",
                "kind": kind,
                "why": why,
                "wall_s": time.time(),
                "monotonic_s": now_ns / 1e9,
            }
        )

    def send(self, message: Mapping[str, object]) -> None:
        """Hand one message over, or count it as lost."""
        try:
            if self._ours is not None:
                self._ours.send(json.dumps(message).encode())
                return
        except OSError:
            pass
        self.lost += 1
