"""What a cell file says under ``health:`` and ``metrics:``.

Knows the shape and that figures are told on this computer only; opens nothing.
"""

from __future__ import annotations

import ipaddress
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError


def _loopback(found: object) -> object:
    try:
        if isinstance(found, str) and ipaddress.ip_address(found).is_loopback:
            return found
    except ValueError:
        pass
    raise PydanticCustomError(
        "loopback", "Figures are told on this computer only: write 127.0.0.1 or ::1. To read "
        "them from elsewhere, put a server that asks for a password in front of the port.",
    )  # fmt: skip


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class HealthEntry(_Entry):
    """Where it is written how the table is doing, for probes and for screens."""

    file: str | None = Field(
        None, min_length=1, max_length=1000, description="A file, written anew every few "
        "seconds; see `tablevoice schema health`. null: none.",
        examples=["health.json"])  # fmt: skip
    every_s: float = Field(
        5.0, ge=0.5, le=60, allow_inf_nan=False, description="Seconds between two looks."
    )


class MetricsEntry(_Entry):
    """Figures for Prometheus, on this computer only; needs the extra `metrics`."""

    port: int | None = Field(
        None, ge=1, le=65535, description="The port to read them from; null: none.",
        examples=[9464])  # fmt: skip
    host: Annotated[str, BeforeValidator(_loopback, json_schema_input_type=str)] = Field(
        "127.0.0.1", description="A loopback address; nothing wider is taken."
    )
