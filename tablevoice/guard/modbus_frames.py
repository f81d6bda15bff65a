"""The Modbus TCP frames the guard sends and the replies it accepts, as pure functions on bytes.

Three function codes are enough: read discrete inputs (2), write single coil (5), write
multiple coils (15). Anything in a reply that is not exactly what the request asks for is
:class:`Nonsense`. Layouts are those of the MODBUS Application Protocol Specification V1.1b3
and the MODBUS Messaging on TCP/IP Implementation Guide V1.0b.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

READ_DISCRETE_INPUTS = 2
WRITE_SINGLE_COIL = 5
WRITE_MULTIPLE_COILS = 15

MOST_INPUTS_A_READ = 2000
"""MODBUS Application Protocol V1.1b3, 6.2: quantity of inputs 1 to 2000."""

_HEADER = struct.Struct(">HHHB")
_LONGEST_PDU = 253


class Nonsense(Exception):
    """A reply that no well-behaved server would send to this request."""


class ServerException(Exception):
    """A well-formed exception reply; ``code`` is the server's exception code."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}")


@dataclass(frozen=True, slots=True)
class Request:
    """One request: its PDU, and how many input bits a good reply carries (0: none)."""

    pdu: bytes
    bits: int = 0


@dataclass(frozen=True, slots=True)
class Frame:
    """One whole Modbus TCP frame as received."""

    transaction: int
    unit: int
    pdu: bytes


def read_discrete_inputs(first: int, count: int) -> Request:
    """Ask for ``count`` discrete inputs from address ``first`` on."""
    return Request(struct.pack(">BHH", READ_DISCRETE_INPUTS, first, count), bits=count)


def write_coil(address: int, on: bool) -> Request:
    """Set one coil."""
    return Request(struct.pack(">BHH", WRITE_SINGLE_COIL, address, 0xFF00 if on else 0))


def write_coils(first: int, values: Sequence[bool]) -> Request:
    """Set neighbouring coils in one frame; the first value is the lowest bit of the first byte."""
    packed = sum(1 << place for place, value in enumerate(values) if value)
    data = packed.to_bytes((len(values) + 7) // 8, "little")
    head = struct.pack(">BHHB", WRITE_MULTIPLE_COILS, first, len(values), len(data))
    return Request(head + data)


def framed(request: Request, transaction: int, unit: int) -> bytes:
    """The bytes to send: MBAP header and PDU."""
    return _HEADER.pack(transaction, 0, len(request.pdu) + 1, unit) + request.pdu


def take_frame(buffer: bytearray) -> Frame | None:
    """Remove one whole frame from the front of ``buffer``; None while it is not complete."""
    if len(buffer) < _HEADER.size:
        return None
    transaction, protocol, length, unit = _HEADER.unpack_from(buffer)
    if protocol != 0:
        raise Nonsense(f"protocol identifier {protocol}")
    if not 3 <= length <= _LONGEST_PDU + 1:
        raise Nonsense(f"length field {length}")
    end = 6 + length
    if len(buffer) < end:
        return None
    pdu = bytes(buffer[_HEADER.size : end])
    del buffer[:end]
    return Frame(transaction, unit, pdu)


def read_reply(request: Request, unit: int, frame: Frame) -> tuple[bool, ...]:
    """The input bits of a good reply (none for a write), else Nonsense or ServerException."""
    if frame.unit != unit:
        raise Nonsense(f"answer of unit {frame.unit}")
    function = request.pdu[0]
    if frame.pdu[0] == function | 0x80:
        if len(frame.pdu) != 2:
            raise Nonsense("exception reply of the wrong length")
        raise ServerException(frame.pdu[1])
    if frame.pdu[0] != function:
        raise Nonsense(f"answer to function {frame.pdu[0]}")
    if function != READ_DISCRETE_INPUTS:
        # Both writes are confirmed by the first five bytes of the request.
        if frame.pdu != request.pdu[:5]:
            raise Nonsense("a write confirmed with other values")
        return ()
    size = (request.bits + 7) // 8
    if len(frame.pdu) != 2 + size or frame.pdu[1] != size:
        raise Nonsense("input bytes do not fit the request")
    packed = int.from_bytes(frame.pdu[2:], "little")
    if packed >> request.bits:
        # The specification pads the last byte with zeros.
        raise Nonsense("bits set beyond the last input")
    return tuple(bool(packed >> place & 1) for place in range(request.bits))
