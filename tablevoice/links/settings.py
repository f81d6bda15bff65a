"""What a cell file says under ``links:``: which peers besides the JSON lines the table has.

Knows the shape and what each link's own settings check; opens nothing.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from tablevoice.links.modbus_settings import ModbusEntry


class LinksEntry(BaseModel):
    """The links of this table besides JSON lines; without any, only those."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    modbus: ModbusEntry | None = Field(
        default=None, description="A controller that speaks Modbus TCP.")
