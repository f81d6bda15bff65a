"""A table without sound on the real link to a real broker, as the MQTT tests play it."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path
from typing import Any

from tablevoice.links.messages import Close
from tablevoice.links.mqtt_link import MqttLink
from tablevoice.links.mqtt_settings import MqttEntry
from tablevoice.model import Phrasebook
from tests.links.broker import Broker
from tests.soundless import SoundlessTable

BASE = "tablevoice/bench"
EXAMPLES = Path(__file__).parents[2] / "examples" / "mqtt"


def entry(broker: Broker, **more: Any) -> MqttEntry:
    return MqttEntry(port=broker.port, keepalive_s=2, **more)


@contextlib.asynccontextmanager
async def linked(
    book: Phrasebook, settings: MqttEntry, *, folder: Path = Path(), history: Path | None = None,
    line_s: float = 0.05, wait: bool = True,
) -> AsyncIterator[tuple[SoundlessTable, MqttLink]]:
    """A table on its link, closed as the program closes them."""
    async with SoundlessTable(book, history=history, line_s=line_s) as table:
        link = MqttLink(settings, table.name, folder, table, random.Random(7))
        async with link:
            table.audience.join(link.told)
            if wait:
                await asyncio.wait_for(link.connected.wait(), 20)
            yield table, link
            if not table.closed.is_set():
                table.receive(Close())


def run(scene: Coroutine[Any, Any, None]) -> None:
    asyncio.run(asyncio.wait_for(scene, 90))


async def until(fits: Callable[[], bool]) -> None:
    while not fits():
        await asyncio.sleep(0.02)
