"""The frames: the worked examples of the specification, and nothing else accepted in a reply."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, strategies
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU

from tablevoice.guard.modbus_frames import (
    Frame,
    Nonsense,
    Request,
    ServerException,
    framed,
    read_discrete_inputs,
    read_reply,
    take_frame,
    write_coil,
    write_coils,
)

# MODBUS Application Protocol Specification V1.1b3, worked examples (from memory).
READ_197_TO_218 = bytes.fromhex("02 00 C4 00 16")
READ_197_TO_218_REPLY = bytes.fromhex("02 03 AC DB 35")
WRITE_173_ON = bytes.fromhex("05 00 AC FF 00")
WRITE_20_TO_29 = bytes.fromhex("0F 00 13 00 0A 02 CD 01")
WRITE_20_TO_29_REPLY = bytes.fromhex("0F 00 13 00 0A")


def test_the_specifications_worked_examples() -> None:
    # Input 197 has address 196: the specification counts inputs from 1, addresses from 0.
    request = read_discrete_inputs(196, 22)
    assert request.pdu == READ_197_TO_218
    bits = read_reply(request, 1, Frame(7, 1, READ_197_TO_218_REPLY))
    # "The status of discrete inputs 204-197 is shown as AC hex, or binary 1010 1100."
    assert bits[:8] == tuple(bit == "1" for bit in reversed("10101100"))
    # "218-213 ... 35 hex, or binary 0011 0101": two bits of padding in front.
    assert bits[16:] == tuple(bit == "1" for bit in reversed("110101"))
    request = write_coil(172, True)
    assert request.pdu == WRITE_173_ON
    assert read_reply(request, 1, Frame(7, 1, WRITE_173_ON)) == ()
    values = [bit == "1" for bit in "1011001110"]
    request = write_coils(19, values)
    assert request.pdu == WRITE_20_TO_29
    assert read_reply(request, 1, Frame(7, 1, WRITE_20_TO_29_REPLY)) == ()


def test_a_coil_is_written_off_with_zeros() -> None:
    assert write_coil(172, False).pdu == bytes.fromhex("05 00 AC 00 00")


@given(
    first=strategies.integers(0, 60_000),
    count=strategies.integers(1, 2_000),
    transaction=strategies.integers(0, 65_535),
    unit=strategies.integers(1, 247),
)
def test_pymodbus_reads_what_we_frame(first: int, count: int, transaction: int, unit: int) -> None:
    framer = FramerSocket(DecodePDU(True))
    for request, code in ((read_discrete_inputs(first, count), 2), (write_coil(first, True), 5)):
        data = framed(request, transaction, unit)
        used, pdu = framer.handleFrame(data, 0, 0)
        assert used == len(data)
        assert pdu is not None
        assert (pdu.function_code, pdu.address, pdu.dev_id) == (code, first, unit)
        assert pdu.transaction_id == transaction


@given(values=strategies.lists(strategies.booleans(), min_size=1, max_size=64))
def test_pymodbus_reads_the_coils_we_write(values: list[bool]) -> None:
    framer = FramerSocket(DecodePDU(True))
    _, pdu = framer.handleFrame(framed(write_coils(3, values), 9, 1), 0, 0)
    assert pdu is not None
    assert pdu.bits[: len(values)] == values


@given(data=strategies.binary(max_size=400))
def test_any_bytes_are_a_frame_or_not_yet_or_nonsense(data: bytes) -> None:
    buffer = bytearray(data)
    try:
        frame = take_frame(buffer)
    except Nonsense:
        return
    if frame is None:
        assert len(data) < 7 or len(data) < 6 + struct.unpack_from(">H", data, 4)[0]
        assert bytes(buffer) == data
    else:
        assert data[2:4] == b"\0\0"
        assert len(frame.pdu) + 7 + len(buffer) == len(data)


@given(pdu=strategies.binary(min_size=2, max_size=253), unit=strategies.integers(0, 255))
def test_a_reply_is_accepted_only_when_it_fits_to_the_bit(pdu: bytes, unit: int) -> None:
    for request in (read_discrete_inputs(0, 3), write_coil(0, False), write_coils(0, [True])):
        try:
            bits = read_reply(request, 1, Frame(1, unit, pdu))
        except (Nonsense, ServerException):
            continue
        assert unit == 1
        if request.bits:
            assert len(pdu) == 3
            assert pdu[:2] == b"\x02\x01"
            assert pdu[2] < 8
            assert bits == tuple(bool(pdu[2] >> place & 1) for place in range(3))
        else:
            assert pdu == request.pdu[:5]


@pytest.mark.parametrize(
    ("request_made", "reply"),
    [
        (read_discrete_inputs(0, 3), "02 02 01 00"),  # too many bytes
        (read_discrete_inputs(0, 3), "02 01"),  # byte missing
        (read_discrete_inputs(0, 3), "02 01 09"),  # a bit beyond the third
        (read_discrete_inputs(0, 3), "01 01 01"),  # coils, not inputs
        (write_coil(5, False), "05 00 05 FF 00"),  # confirms the opposite
        (write_coil(5, False), "05 00 06 00 00"),  # confirms another coil
        (write_coils(0, [True, True]), "0F 00 00 00 01"),  # confirms one of two
        (write_coil(5, False), "85 02 00"),  # exception of the wrong length
    ],
)
def test_near_misses_are_nonsense(request_made: Request, reply: str) -> None:
    with pytest.raises(Nonsense):
        read_reply(request_made, 1, Frame(1, 1, bytes.fromhex(reply)))


def test_an_exception_reply_gives_its_code() -> None:
    with pytest.raises(ServerException) as caught:
        read_reply(write_coil(5, True), 1, Frame(1, 1, bytes.fromhex("85 02")))
    assert caught.value.code == 2
