"""The server role: a controller polls the table's registers over Modbus TCP.

Knows connections, who may make them, and frames; what registers mean is the link's affair.
pymodbus reads and writes what is inside a frame. The sockets are our own because pymodbus'
server can't tell one peer from another and drops all but the last of several requests that
arrive together, which the standard allows (MODBUS Messaging on TCP/IP Implementation Guide
V1.0b, transactions).
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pymodbus.constants import ExcCodes
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU

from tablevoice.errors import LinkUnavailable, Problem
from tablevoice.links.modbus_settings import ModbusEntry

MOST_CONNECTIONS = 16
MOST_STRANGERS = 100
"""Addresses that are reported, once each; more than these say nothing new."""

SPOKEN = frozenset({3, 4, 6, 16, 23})
"""Function codes: read holding and input registers, write one and several, write and read."""

WRITING = frozenset({6, 16, 23})

_HEADER = struct.Struct(">HHHB")
_LONGEST_PDU = 253
_NOBODY_S = float("-inf")

ReadBlock = Callable[[], Sequence[int]]
Write = Callable[[int, list[int], float], None]
"""Given the place of the first register in the command block, the values, and how many seconds
ago they may have been meant."""


@dataclass(frozen=True, slots=True)
class Block:
    """Registers from ``first`` on; ``read`` gives them all as they are now."""

    first: int
    count: int
    read: ReadBlock


class RegisterStore:
    """What pymodbus' requests read and write: two blocks, one of which may be written."""

    def __init__(
        self, commands: Block, status: Block, write: Callable[[int, list[int]], None]
    ) -> None:
        self._commands = commands
        self._blocks = (commands, status)
        self._write = write
        self.may_write = True

    async def async_getValues(  # noqa: N802 - pymodbus calls it by this name
        self, device_id: int, func_code: int, address: int, count: int = 1
    ) -> list[int] | ExcCodes:
        for block in self._blocks:
            at = address - block.first
            if at >= 0 and at + count <= block.count:
                return list(block.read()[at : at + count])
        return ExcCodes.ILLEGAL_ADDRESS

    async def async_setValues(  # noqa: N802 - as above
        self, device_id: int, func_code: int, address: int, values: list[int]
    ) -> ExcCodes | None:
        at = address - self._commands.first
        if at < 0 or at + len(values) > self._commands.count:
            return ExcCodes.ILLEGAL_ADDRESS
        if not self.may_write:
            return ExcCodes.DEVICE_BUSY
        self._write(at, list(values))
        return None


class ModbusServer:
    """An async context manager. Only one controller at a time may write; all named may read.

    A controller is an address: it may have several connections. It stays the one that writes
    until it was silent for ``lost_after_s``. What it writes right after such a silence may be as
    old as that: ``write`` is told so. ``report`` is told of strangers, of a loss once,
    and once of the return. Opening raises LinkUnavailable.
    """

    def __init__(
        self,
        entry: ModbusEntry,
        commands: Block,
        status: Block,
        write: Write,
        report: Callable[[Problem], None],
    ) -> None:
        self._entry = entry
        self._store = RegisterStore(
            commands, status, lambda at, values: write(at, values, self._age_s))
        self._report = report
        self._decoder = DecodePDU(is_server=True)
        self._connections: dict[asyncio.StreamWriter, float] = {}
        self._handlers: set[asyncio.Task[None]] = set()
        self._strangers: set[str] = set()
        self._writer_host = ""
        self._heard_s = _NOBODY_S
        self._silence_s: tuple[float, float] | None = None
        self._lost = False
        self._turned_away: set[str] = set()

    async def __aenter__(self) -> ModbusServer:
        entry = self._entry
        try:
            self._server = await asyncio.start_server(self._connected, entry.host, entry.port)
        except OSError as error:
            do = "Stop the other program or choose another port."
            if entry.port < 1024:
                do += " Ports below 1024 need permission (CAP_NET_BIND_SERVICE)."
            raise LinkUnavailable(
                f"the Modbus link cannot listen: {error.strerror or error}.",
                where=f"{entry.host} port {entry.port}", do=do,
            ) from error  # fmt: skip
        self._watching = asyncio.create_task(self._watch())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._watching.cancel()
        self._server.close()
        for connection in tuple(self._connections):
            connection.close()
        for handler in tuple(self._handlers):
            handler.cancel()
        await asyncio.gather(self._watching, *self._handlers, return_exceptions=True)

    # --- connections ----------------------------------------------------------------------

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        host = _host(writer)
        if not self._welcome(host):
            writer.close()
            return
        if len(self._connections) >= MOST_CONNECTIONS:  # such as many that were never ended
            silent = min(self._connections, key=lambda one: self._connections[one])
            del self._connections[silent]
            silent.close()
        self._connections[writer] = self._now_s
        handler = asyncio.get_running_loop().create_task(self._serve(reader, writer, host))
        self._handlers.add(handler)
        handler.add_done_callback(self._handlers.discard)

    def _welcome(self, host: str) -> bool:
        peers = self._entry.peers
        if host in peers or (not peers and ipaddress.ip_address(host).is_loopback):
            return True
        if host not in self._strangers and len(self._strangers) < MOST_STRANGERS:
            self._strangers.add(host)
            self._report(Problem(
                f"{host} is not named and was disconnected.", self._where,
                "Name it under 'peers:' of the Modbus link if it is the controller; else find "
                "out what it is.",
            ))  # fmt: skip
        return False

    async def _serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, host: str
    ) -> None:
        try:
            while writer in self._connections:
                transaction, protocol, length, unit = _HEADER.unpack(
                    await reader.readexactly(_HEADER.size))
                if protocol != 0 or not 2 <= length <= _LONGEST_PDU + 1:
                    return  # not Modbus: where the next frame would begin is not known
                request = await reader.readexactly(length - 1)
                self._heard(writer, host)
                answer = await self._answer(request, unit, host)
                body = bytes([answer.function_code]) + answer.encode()
                writer.write(_HEADER.pack(transaction, 0, len(body) + 1, unit) + body)
                await writer.drain()
        except (asyncio.IncompleteReadError, OSError):
            return  # the peer went away; whether that is a loss shows by its silence
        finally:
            self._connections.pop(writer, None)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _answer(self, request: bytes, unit: int, host: str) -> ModbusPDU:
        function = request[0] & 0x7F
        if request[0] not in SPOKEN:
            return ExceptionResponse(function, ExcCodes.ILLEGAL_FUNCTION)
        decoded = self._decoder.decode(request)
        if decoded is None:
            return ExceptionResponse(function, ExcCodes.ILLEGAL_VALUE)
        self._store.may_write = function in WRITING and self._may_write(host)
        return await decoded.datastore_update(self._store, unit)  # type: ignore[arg-type]

    # --- who writes -----------------------------------------------------------------------

    def _may_write(self, host: str) -> bool:
        if host == self._writer_host or self._silent_s > self._entry.lost_after_s:
            self._writer_host = host
            self._wrote()
            return True
        if host not in self._turned_away and len(self._turned_away) < MOST_STRANGERS:
            self._turned_away.add(host)
            self._report(Problem(
                f"{host} may not write: {self._writer_host} is the controller.", self._where,
                "Let one controller write. Another one may once that one was silent for "
                f"{self._entry.lost_after_s:g} s.",
            ))  # fmt: skip
        return False

    def _heard(self, writer: asyncio.StreamWriter, host: str) -> None:
        self._connections[writer] = self._now_s
        if host == self._writer_host:
            self._wrote()

    def _wrote(self) -> None:
        silent_s, now_s = self._silent_s, self._now_s
        if self._entry.lost_after_s < silent_s < float("inf"):
            self._silence_s = (self._heard_s, now_s)
        self._heard_s = now_s
        if self._lost:
            self._lost = False
            self._report(Problem(
                f"the controller at {self._writer_host} is back after {silent_s:.0f} s.",
                self._where, "Nothing is to be done.",
            ))  # fmt: skip

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(self._entry.lost_after_s / 4)
            silent = self._silent_s > self._entry.lost_after_s
            if self._writer_host and silent and not self._lost:
                self._lost = True
                self._report(Problem(
                    f"the controller at {self._writer_host} has not been heard of for "
                    f"{self._entry.lost_after_s:g} s.", self._where,
                    "See whether it runs and whether its cable is plugged in. What was taken "
                    "goes on, and its outcome stays in the registers.",
                ))  # fmt: skip

    @property
    def why_down(self) -> str:
        """Why no controller is there, empty while one is."""
        if self._silent_s <= self._entry.lost_after_s:
            return ""
        if not self._writer_host:
            return "no controller has written anything yet"
        return f"the controller at {self._writer_host} is silent"

    @property
    def _age_s(self) -> float:
        """How old what is written now may be: what waited for a lost link arrives soon after."""
        if self._silence_s is None:
            return 0.0
        since_s, until_s = self._silence_s
        soon = self._now_s - until_s <= self._entry.lost_after_s
        return self._now_s - since_s if soon else 0.0

    @property
    def _silent_s(self) -> float:
        return self._now_s - self._heard_s

    @property
    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    @property
    def _where(self) -> str:
        return f"the Modbus link at {self._entry.host} port {self._entry.port}"


def _host(writer: asyncio.StreamWriter) -> str:
    """The peer's address; one of IPv4 that comes as IPv6 as IPv4."""
    peer = writer.get_extra_info("peername")
    if peer is None:  # gone already
        return "0.0.0.0"
    address = ipaddress.ip_address(str(peer[0]).split("%")[0])
    mapped = getattr(address, "ipv4_mapped", None)
    return str(mapped or address)
