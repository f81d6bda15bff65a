"""What a cell file says under ``links:``: which peers besides the JSON lines the table has.

Knows the shape and what each link's own settings check; opens nothing.
"""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict, Field

from tablevoice.links.modbus_settings import ModbusEntry
from tablevoice.links.mqtt_settings import Finding, MqttEntry
from tablevoice.links.mqtt_topics import DOOR as MQTT


class LinksEntry(BaseModel):
    """The links of this table besides JSON lines; without any, only those."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    modbus: ModbusEntry | None = Field(
        default=None, description="A controller that speaks Modbus TCP.")
    mqtt: MqttEntry | None = Field(
        default=None, description="Controllers over a broker that speaks MQTT 5.")

    @property
    def lasting_doors(self) -> tuple[str, ...]:
        """The links whose peers give an id once and for all, over restarts of the table."""
        return () if self.mqtt is None else (MQTT,)

    def findings(self) -> Iterator[Finding]:
        """What is wrong beyond the shape: the key's path below ``links``, what, what to do."""
        if self.mqtt is not None:
            yield from ((("mqtt", *path), what, do) for path, what, do in self.mqtt.findings())
