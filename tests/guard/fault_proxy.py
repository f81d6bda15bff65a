"""A process between the guard and a Modbus server that spoils what the server answers.

``python -m tests.guard.fault_proxy TARGET_PORT``: prints its own port, then takes one fault a
line and answers with the time it began: pass, late MS, half_open, exception CODE,
wrong_transaction, garbage, wrong_unit, short. The requests and the answers that are spoiled
are those of a real server.
"""

from __future__ import annotations

import os
import random
import selectors
import socket
import struct
import sys

from tablevoice.guard.clock import now_ns

MS = 1_000_000


class Pair:
    """One client connection and its upstream one."""

    def __init__(self, client: socket.socket, server: socket.socket) -> None:
        self.client, self.server = client, server
        self.buffer = bytearray()
        self.waiting: list[tuple[int, bytes]] = []


class Proxy:
    """Forwards requests; forwards or spoils answers."""

    def __init__(self, target_port: int) -> None:
        self._target = ("127.0.0.1", target_port)
        self._fault = ["pass"]
        self._random = random.Random(7)
        self._pairs: list[Pair] = []
        self._selector = selectors.SelectSelector()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._selector.register(self._listening, selectors.EVENT_READ)
        self._selector.register(0, selectors.EVENT_READ)
        print(self._listening.getsockname()[1], flush=True)

    def run(self) -> None:
        commands = b""
        while True:
            due = [pair.waiting[0][0] for pair in self._pairs if pair.waiting]
            wait_s = max(0.0, (min(due) - now_ns()) / 1e9) if due else 1.0
            ready = {key.fd for key, _ in self._selector.select(wait_s)}
            if 0 in ready:
                data = os.read(0, 4096)
                if not data:
                    return
                commands += data
                *lines, commands = commands.split(b"\n")
                for line in lines:
                    self._fault = line.decode().split()
                    print(now_ns(), flush=True)
            if self._listening.fileno() in ready:
                self._accept()
            for pair in tuple(self._pairs):
                try:
                    self._forward(pair, ready)
                except OSError:
                    self._drop(pair)

    def _accept(self) -> None:
        client, _ = self._listening.accept()
        try:
            server = socket.create_connection(self._target, 1.0)
        except OSError:
            client.close()
            return
        for one in (client, server):
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._selector.register(one, selectors.EVENT_READ)
        self._pairs.append(Pair(client, server))

    def _drop(self, pair: Pair) -> None:
        self._pairs.remove(pair)
        for one in (pair.client, pair.server):
            self._selector.unregister(one)
            one.close()

    def _forward(self, pair: Pair, ready: set[int]) -> None:
        kind = self._fault[0]
        if pair.client.fileno() in ready:
            data = pair.client.recv(4096)
            if not data:
                raise ConnectionResetError
            if kind != "half_open":  # a dead wire: the request goes nowhere
                pair.server.sendall(data)
        if pair.server.fileno() in ready:
            data = pair.server.recv(4096)
            if not data:
                raise ConnectionResetError
            pair.buffer += data
            while len(pair.buffer) >= 6:
                end = 6 + struct.unpack_from(">H", pair.buffer, 4)[0]
                if len(pair.buffer) < end:
                    break
                frame = bytes(pair.buffer[:end])
                del pair.buffer[:end]
                self._answer(pair, kind, frame)
        while pair.waiting and pair.waiting[0][0] <= now_ns():
            pair.client.sendall(pair.waiting.pop(0)[1])

    def _answer(self, pair: Pair, kind: str, frame: bytes) -> None:
        transaction, _, _, unit = struct.unpack_from(">HHHB", frame)
        if kind == "half_open":
            return
        if kind == "late":
            pair.waiting.append((now_ns() + int(self._fault[1]) * MS, frame))
            return
        if kind == "exception":
            frame = struct.pack(
                ">HHHBBB", transaction, 0, 3, unit, frame[7] | 0x80, int(self._fault[1])
            )
        elif kind == "wrong_transaction":
            frame = struct.pack(">H", (transaction + 1) % 65_536) + frame[2:]
        elif kind == "wrong_unit":
            frame = frame[:6] + bytes([(unit + 1) % 256]) + frame[7:]
        elif kind == "short":
            frame = struct.pack(">HHHB", transaction, 0, 3, unit) + frame[7:9]
        elif kind == "garbage":
            frame = self._random.randbytes(self._random.randrange(1, 300))
        pair.client.sendall(frame)


if __name__ == "__main__":
    if sys.platform == "linux":
        try:  # it stands for a wire, and a wire is not kept waiting by a busy computer
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
        except OSError:
            pass
    Proxy(int(sys.argv[1])).run()
