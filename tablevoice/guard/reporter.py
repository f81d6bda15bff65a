"""The reporter: the guard's second process, which keeps the record and serves the status.

It hears from the guard by datagrams and pushes the newest state, one JSON object a line, to
everybody connected to the status address. A client may send ``{"hold": "pause"}`` or
``{"hold": "stop"}``; that word is all it can pass on to the guard, and it can only add a
hold. The guard starts it; it ends when the guard is gone.
"""

from __future__ import annotations

import json
import os
import selectors
import signal
import socket
import stat
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tablevoice.guard.cautions import CAUTIONS
from tablevoice.guard.record_file import RecordFile, record_line

CLIENTS_AT_MOST = 16
READ_AT_MOST = 4_096
LONGEST_LINE = 1_024
SLOW_FOR_S = 2.0
SILENT_AFTER_S = 1.0
DATAGRAMS_A_TURN = 64
LAST_LINES_WITHIN_S = 1.0

REFUSED = json.dumps(
    {
        "v": 1,
        "type": "refused",
        "what": "The guard takes nothing but a hold.",
        "do": 'Send {"hold": "pause"} or {"hold": "stop"}. Clearing is done at the machine.',
    }
)


def hold_word(line: bytes) -> str | None:
    """The hold a line asks for, or None for anything else."""
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(message, dict) or set(message) != {"hold"}:
        return None
    word = message["hold"]
    return word if word in ("pause", "stop") and isinstance(word, str) else None


class Client:
    """One connection to the status address: the newest state out, holds in."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        # A client that does not read may keep little of ours.
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 16_384)
        self.connection = connection
        self._incoming = bytearray()
        self._outgoing = b""
        self._newest = b""
        self._stuck_since_s: float | None = None

    def tell(self, line: str, now_s: float) -> bool:
        """Send a line, or keep it as the newest one to send; False when the client is too slow."""
        self._newest = line.encode() + b"\n"
        return self.push(now_s)

    def push(self, now_s: float) -> bool:
        """Send what is waiting; False when nothing has moved for too long."""
        while True:
            if not self._outgoing:
                self._outgoing, self._newest = self._newest, b""
            if not self._outgoing:
                self._stuck_since_s = None
                return True
            try:
                sent = self.connection.send(self._outgoing)
            except (BlockingIOError, InterruptedError):
                if self._stuck_since_s is None:
                    self._stuck_since_s = now_s
                return now_s - self._stuck_since_s < SLOW_FOR_S
            except OSError:
                return False
            self._outgoing = self._outgoing[sent:]
            self._stuck_since_s = None

    def lines(self) -> list[bytes] | None:
        """Whole lines that came in; None when the client is gone or sends no lines."""
        try:
            data = self.connection.recv(READ_AT_MOST)
        except (BlockingIOError, InterruptedError):
            return []
        except OSError:
            return None
        if not data:
            return None
        self._incoming += data
        *lines, rest = bytes(self._incoming).split(b"\n")
        self._incoming = bytearray(rest)
        if len(rest) > LONGEST_LINE:
            return None
        return lines


class Reporter:
    """The loop of the reporter process."""

    def __init__(self, guard: socket.socket, folder: Path, address: str) -> None:
        self._guard = guard
        self._guard.setblocking(False)
        self._record = RecordFile(folder)
        self._listening = _listen(address)
        self._clients: list[Client] = []
        self._state: dict[str, object] = {
            "v": 1,
            "type": "status",
            "state": "starting",
            "permit": False,
        }
        self._heard_s = time.monotonic()
        self._silent = False
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._guard, selectors.EVENT_READ, "guard")
        self._selector.register(self._listening, selectors.EVENT_READ, "listening")
        self._selector.register(sys.stdin, selectors.EVENT_READ, "stdin")

    def run(self) -> None:
        """Serve until the guard is gone."""
        while True:
            ready = self._selector.select(0.25)
            now_s = time.monotonic()
            keys = [key.data for key, _ in ready]
            self._hear_guard(now_s)
            for client in [key for key in keys if isinstance(key, Client)]:
                self._hear_client(client, now_s)
            if "listening" in keys:
                self._accept(now_s)
            for client in tuple(self._clients):
                if not client.push(now_s):
                    self._drop(client)
            if "stdin" in keys and not os.read(sys.stdin.fileno(), 1):
                self._hear_guard(now_s)
                self._record.end(LAST_LINES_WITHIN_S)
                return

    def _hear_guard(self, now_s: float) -> None:
        told = False
        for _ in range(DATAGRAMS_A_TURN):
            try:
                message = json.loads(self._guard.recv(65_536))
            except OSError:
                break
            self._heard_s, self._silent = now_s, False
            if message["type"] == "status":
                self._state, told = message, True
            elif message["type"] == "proof":
                self._record.proof(str(message["name"]), float(message["wall_s"]))
            else:
                self._record.line(record_line(message))
        if now_s - self._heard_s > SILENT_AFTER_S and not self._silent:
            self._silent = told = True
            self._state = {
                **self._state,
                "state": "silent",
                "permit": False,
                "why": "The guard process does not answer.",
            }
        if told:
            line = self._status_line()
            for client in tuple(self._clients):
                if not client.tell(line, now_s):
                    self._drop(client)

    def _status_line(self) -> str:
        return json.dumps(
            {
                **self._state,
                "record_lines_dropped": self._record.dropped,
                "record_problem": self._record.problem,
            }
        )

    def _hear_client(self, client: Client, now_s: float) -> None:
        lines = client.lines()
        if lines is None:
            self._drop(client)
            return
        words = {hold_word(line) for line in lines if line.strip()}
        for word in words - {None}:
            try:
                self._guard.send(str(word).encode())
            except OSError:
                pass  # the guard's queue is full of holds already, or it is gone
        if None in words and not client.tell(REFUSED, now_s):
            self._drop(client)

    def _accept(self, now_s: float) -> None:
        try:
            connection, _ = self._listening.accept()
        except OSError:
            return
        if len(self._clients) >= CLIENTS_AT_MOST:
            connection.close()
            return
        client = Client(connection)
        self._clients.append(client)
        self._selector.register(connection, selectors.EVENT_READ, client)
        hello = json.dumps({"v": 1, "type": "cautions", "cautions": CAUTIONS})
        if not client.tell(hello, now_s) or not client.tell(self._status_line(), now_s):
            self._drop(client)

    def _drop(self, client: Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
            self._selector.unregister(client.connection)
            client.connection.close()


def _listen(address: str) -> socket.socket:
    if "/" in address:
        path = Path(address)
        if path.exists() and stat.S_ISSOCK(path.stat().st_mode):
            path.unlink()  # left by a guard that was killed; the lock says that none is running
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listening.bind(address)
        path.chmod(0o660)
    else:
        host, _, port = address.rpartition(":")
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, int(port)))
    listening.listen(CLIENTS_AT_MOST)
    listening.setblocking(False)
    return listening


def main(argv: Sequence[str]) -> int:
    """``reporter <descriptor> <state folder> <status address>``, started by the guard only."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the guard's to answer
    guard = socket.socket(fileno=int(argv[0]))
    try:
        Reporter(guard, Path(argv[1]), argv[2]).run()
    except OSError as problem:
        print(f"guard reporter: {argv[2]}: {problem.strerror}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
