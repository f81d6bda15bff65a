"""One Modbus TCP connection that never blocks: the Modbus client of the stop guard.

A link connects, loses its server, comes back, and hands out replies with the time their
request left; it knows nothing of inputs or permits. The guard's loop owns it and calls
``service`` in every turn. Why not a client library here: every wait has to be the loop's own
wait, because one late server must not delay another input's trip by a moment, an answer with
another transaction number must be a reason to stop and not a reason to wait on, and a
permit-off must be sent past an outstanding request. GUARD.md gives the measurements; tests
check the bytes against two independent implementations as peers.
"""

from __future__ import annotations

import errno
import selectors
import socket
from dataclasses import dataclass

from tablevoice.guard.modbus_frames import (
    Nonsense,
    Request,
    ServerException,
    framed,
    read_reply,
    take_frame,
)

MS = 1_000_000
CONNECT_WITHIN_NS = 1_000 * MS
RETRY_SHORTEST_NS = 50 * MS
RETRY_LONGEST_NS = 1_000 * MS
READ_AT_MOST = 2_048
"""Bytes taken in one turn: a server that pours garbage cannot hold the loop."""

_IN_PROGRESS = {
    errno.EINPROGRESS,
    errno.EWOULDBLOCK,
    errno.EAGAIN,
    getattr(errno, "WSAEWOULDBLOCK", -1),
}


@dataclass(frozen=True, slots=True)
class Answer:
    """A good reply: its request, when that was sent (ns), and the bits it brought."""

    request: Request
    sent_ns: int
    bits: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """A server's exception reply to a request."""

    request: Request
    code: int


class ModbusLink:
    """A non-blocking connection to one unit of one server at a literal IP address."""

    def __init__(
        self, host: str, port: int, unit: int, give_up_ns: int, selector: selectors.BaseSelector
    ) -> None:
        self.where = f"{host}:{port}"
        self.up = False
        self.nonsense = False
        """True from the moment a server talked nonsense until its next good reply."""
        self.why_down = "not connected yet"
        self._address = (host, port)
        self._family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._unit = unit
        self._give_up_ns = give_up_ns
        self._selector = selector
        self._socket: socket.socket | None = None
        self._buffer = bytearray()
        self._pending: dict[int, tuple[Request, int]] = {}
        self._overtaken: set[int] = set()
        """Requests whose answer may still come, but is not waited for."""
        self._transaction = 0
        self._connect_until_ns = 0
        self._retry_at_ns = 0
        self._retry_wait_ns = RETRY_SHORTEST_NS

    @property
    def busy(self) -> bool:
        """Whether an answer is still outstanding."""
        return bool(self._pending)

    def service(self, now_ns: int) -> list[Answer | Refusal]:
        """Connect, read and give up as needed; return what came in. Never waits."""
        if self._socket is None:
            if now_ns >= self._retry_at_ns:
                self._connect(now_ns)
            return []
        if not self.up:
            self._finish_connecting(now_ns)
            return []
        replies = self._receive(now_ns)
        if self._pending:
            oldest_ns = next(iter(self._pending.values()))[1]
            if now_ns - oldest_ns > self._give_up_ns:
                self.fail("no answer", now_ns)
        return replies

    def send(self, request: Request, now_ns: int) -> bool:
        """Send at once, whatever is outstanding; False when the link is down or stuffed."""
        if not self.up or self._socket is None:
            return False
        self._transaction = self._transaction % 0xFFFF + 1
        self._overtaken.discard(self._transaction)
        frame = framed(request, self._transaction, self._unit)
        try:
            sent = self._socket.send(frame)
        except OSError as problem:
            self.fail(problem.strerror or "send failed", now_ns)
            return False
        if sent != len(frame):
            self.fail("the server does not read", now_ns)
            return False
        self._pending[self._transaction] = (request, now_ns)
        return True

    def fail(self, why: str, now_ns: int) -> None:
        """Drop the connection; a later ``service`` tries again."""
        if self._socket is not None:
            self._selector.unregister(self._socket)
            self._socket.close()
        self._socket = None
        self.up = False
        self.why_down = why
        self._pending.clear()
        self._overtaken.clear()
        self._buffer.clear()
        self._retry_at_ns = now_ns + self._retry_wait_ns
        self._retry_wait_ns = min(self._retry_wait_ns * 2, RETRY_LONGEST_NS)

    def close(self) -> None:
        """Close for good."""
        self.fail("closed", 0)

    def _connect(self, now_ns: int) -> None:
        try:
            self._socket = socket.socket(self._family, socket.SOCK_STREAM)
            self._socket.setblocking(False)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._selector.register(self._socket, selectors.EVENT_WRITE)
            code = self._socket.connect_ex(self._address)
        except OSError as problem:
            if self._socket is not None and self._socket not in self._selector.get_map():
                self._socket.close()
                self._socket = None
            self.fail(problem.strerror or "cannot connect", now_ns)
            return
        if code not in (0, *_IN_PROGRESS):
            self.fail(errno.errorcode.get(code, str(code)), now_ns)
            return
        self._connect_until_ns = now_ns + CONNECT_WITHIN_NS

    def _finish_connecting(self, now_ns: int) -> None:
        assert self._socket is not None
        code = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            self.fail(errno.errorcode.get(code, str(code)), now_ns)
            return
        try:
            self._socket.getpeername()
        except OSError:
            if now_ns > self._connect_until_ns:
                self.fail("no connection in time", now_ns)
            return
        self._selector.modify(self._socket, selectors.EVENT_READ)
        self.up = True

    def _receive(self, now_ns: int) -> list[Answer | Refusal]:
        assert self._socket is not None
        try:
            data = self._socket.recv(READ_AT_MOST)
        except (BlockingIOError, InterruptedError):
            return []
        except OSError as problem:
            self.fail(problem.strerror or "receive failed", now_ns)
            return []
        if not data:
            self.fail("the server closed the connection", now_ns)
            return []
        self._buffer += data
        replies: list[Answer | Refusal] = []
        try:
            while (frame := take_frame(self._buffer)) is not None:
                if frame.transaction in self._overtaken:
                    self._overtaken.discard(frame.transaction)
                    continue
                if frame.transaction not in self._pending:
                    raise Nonsense(f"transaction {frame.transaction} was never asked")
                request, sent_ns = self._pending[frame.transaction]
                # Some servers take one frame of a packet and throw the rest away; what was sent
                # before an answered request will hardly be answered any more.
                while self._pending and next(iter(self._pending)) != frame.transaction:
                    earlier = next(iter(self._pending))
                    del self._pending[earlier]
                    self._overtaken.add(earlier)
                del self._pending[frame.transaction]
                try:
                    replies.append(Answer(request, sent_ns, read_reply(request, self._unit, frame)))
                except ServerException as problem:
                    self.nonsense = True
                    replies.append(Refusal(request, problem.code))
                else:
                    self.nonsense = False
                    self._retry_wait_ns = RETRY_SHORTEST_NS
        except Nonsense as problem:
            self.nonsense = True
            self.fail(f"nonsense: {problem}", now_ns)
            return []
        return replies
