"""What a cell file says under ``links: modbus:``: the shape, and what it can check by itself.

Knows no phrasebook; whether the numbers fit one is ``modbus_numbers``' affair.
"""

from __future__ import annotations

import ipaddress
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints
from pydantic_core import PydanticCustomError

MOST_CHANNELS = 4
MOST_PLACES = 14
"""Registers for slots in a channel: fixed, so that a new slot moves no other register."""

MayDo: TypeAlias = Literal["events", "buttons", "hold_cleared"]
EVERYDAY: tuple[MayDo, ...] = ("events", "buttons")
"""Rights (see ``rights``) that registers can carry, and those without being named."""

LARGEST_NUMBER = 32_767
"""Fits a signed and an unsigned register alike."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _address(text: str) -> str:
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        raise PydanticCustomError("address", "Write an IP address, such as 10.0.0.5.") from None


Host: TypeAlias = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9.:_-]{1,253}$")]
Peer: TypeAlias = Annotated[
    str, StringConstraints(pattern=r"^[0-9A-Fa-f.:]{2,45}$"), AfterValidator(_address)]
Name: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=128)]
Value: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=400)] | int
Number: TypeAlias = Annotated[int, Field(ge=1, le=LARGEST_NUMBER)]
Address: TypeAlias = Annotated[int, Field(ge=0, le=65_535)]


class SlotEntry(_Entry):
    """Where a slot's value stands, and the numbers of its words."""

    place: Annotated[int, Field(ge=1, le=MOST_PLACES)] = Field(
        description="Its register among those for slots; slots of one event need different ones.")
    values: dict[Value, Number] = Field(
        default_factory=dict, max_length=10_000,
        description="A number for each word; left out where the values are whole numbers, which "
        "stand as they are.", examples=[{"the mug": 1, "the lamp": 2}])


class NumbersEntry(_Entry):
    """The numbers of events, words and answers: never given out by the program, only here."""

    events: dict[Name, Number] = Field(
        default_factory=dict, max_length=10_000,
        description="The events that the controller may report, each with its number.",
        examples=[{"order_done": 1, "box_size_asked": 2}])
    slots: dict[Name, SlotEntry] = Field(
        default_factory=dict, description="The slots of those events.")
    answers: dict[Name, Number] = Field(
        default_factory=dict, max_length=10_000,
        description="The answers of the questions that those events ask; buttons use the same.",
        examples=[{"carton": 1, "envelope": 2}])


class ModbusEntry(_Entry):
    """A controller that speaks Modbus TCP. Modbus knows no secrets: keep its network closed."""

    role: Literal["server", "client"] = Field(
        description="server: a controller polls the table; client: the table polls the cell's "
        "I/O block.")
    host: Host = Field(
        "127.0.0.1", description="The address to listen on, or that of the I/O block.")
    port: int = Field(502, ge=1, le=65_535, description="Its TCP port.")
    unit: int = Field(1, ge=0, le=255, description="Unit of the I/O block; a server answers all.")
    peers: list[Peer] = Field(
        default_factory=list, max_length=100, description="Addresses that may connect to a "
        "server; needed where it listens to more than this computer.", examples=[["10.0.0.5"]])
    may: list[MayDo] = Field(
        default_factory=lambda: list(EVERYDAY),
        description="What the controller may do. hold_cleared: tell that its physical reset was "
        "operated.", examples=[["events", "buttons", "hold_cleared"]])
    poll_ms: int = Field(
        100, ge=10, le=1000, description="How often a client reads and writes.")
    lost_after_s: float = Field(
        3.0, ge=0.2, le=600, allow_inf_nan=False,
        description="Silence after which the other side counts as lost.")
    channels: int = Field(
        2, ge=1, le=MOST_CHANNELS,
        description="How many events may be under way at once, each with registers of its own.")
    commands_at: Address = Field(
        0, description="First register that the controller writes, counted from 0.")
    status_at: Address = Field(100, description="First register that the table writes.")
    numbers: NumbersEntry = NumbersEntry.model_construct()
