"""A hall of tables on one broker: is anything lost or said twice, and what does the link cost?

Real tables in real time, without sound, each on the real link, and a controller for each, on
one mosquitto that is stopped and started in the middle. Latency is what the link and the
broker take: from the controller's sending to the table, and from the table's answer to the
controller; the line between does not count. In the same run, at the same pace, a bare aiomqtt
client sends to another that sends back. ``python -m benchmarks many_tables`` plays the hall.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import resource
import secrets
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tablevoice.links import messages
from tablevoice.links.json_lines import encode
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.links.mqtt_connection import AT_ONCE, end_tasks
from tablevoice.links.mqtt_link import MqttLink
from tablevoice.links.mqtt_settings import MqttEntry
from tablevoice.model import Phrasebook
from tablevoice.phrasebook import load_phrasebook
from tests.links.broker import Broker
from tests.soundless import BOOK, SoundlessTable

EVERY_S = 6.0
"""An event of a table on the average: the demo's evening has one every six seconds."""
QUESTIONS = 0.2
THINKS_S = 1.5
LINE_S = 1.0
OUTAGE_S = 5.0
RETRY_S = 1.0
ANSWERED_WITHIN_S = 60.0
ECHOES_A_SECOND = 20

QUIET = logging.getLogger(__name__)
QUIET.addHandler(logging.NullHandler())
QUIET.propagate = False


@dataclass(slots=True)
class Sent:
    """One event of a controller, and when what happened to it (monotonic seconds)."""

    message: messages.EventReported
    at_s: float
    taken_s: float | None = None
    told_s: float | None = None
    answered_s: float | None = None
    answers: set[bytes] = field(default_factory=set)
    copies: int = 0
    refused: bool = False


@dataclass(slots=True)
class Hall:
    """What came of it. ``link_s``: of events that found the broker there, sorted."""

    tables: int
    events: int
    refused: int
    lost: int
    twice: int
    different_answers: int
    copies: int
    sent_in_outage: int
    link_s: list[float]
    outage_s: list[float]
    echo_s: list[float]


class TimedTable(SoundlessTable):
    """Notes when an event came and when its answer went."""

    def __init__(self, book: Phrasebook, name: str, sent: dict[str, Sent]) -> None:
        super().__init__(book, name=name, line_s=LINE_S)
        self.sent = sent
        self.audience.join(self._note)

    def receive(self, message: Inbound, *, worth_s: float | None = None) -> None:
        if isinstance(message, messages.EventReported):
            sent = self.sent[message.id.removeprefix("mqtt/")]
            if sent.taken_s is None:
                sent.taken_s = time.monotonic()
        super().receive(message, worth_s=worth_s)

    def _note(self, message: Outbound) -> None:
        if isinstance(message, (messages.AnswerGiven, messages.Done)) or (
            isinstance(message, messages.ErrorReported) and message.id is not None
        ):
            assert message.id is not None
            sent = self.sent[message.id.removeprefix("mqtt/")]
            if sent.told_s is None:
                sent.told_s = time.monotonic()


class Controller:
    """One table's controller: sends again what is not answered whenever it has a connection."""

    def __init__(self, port: int, name: str, chance: random.Random) -> None:
        self.sent: dict[str, Sent] = {}
        self._port, self._base, self._chance = port, f"tablevoice/{name}", chance
        self._name = name
        self._open: dict[str, Sent] = {}
        self._news = asyncio.Event()
        self._outgoing: list[tuple[str, bytes]] = []

    async def play(self, until_s: float) -> None:
        """Report events at a realistic pace, and wait until all are answered."""
        running = asyncio.ensure_future(self._stay_connected())
        try:
            number = 0
            while True:
                wait_s = self._chance.expovariate(1 / EVERY_S)
                await asyncio.sleep(min(wait_s, until_s - time.monotonic()))
                if time.monotonic() >= until_s:
                    break
                number += 1
                event = "asked" if self._chance.random() < QUESTIONS else "lit"
                message = messages.EventReported(id=f"{self._name}-{number}", event=event)
                sent = self._open[message.id] = Sent(message, time.monotonic())
                self.sent[message.id] = sent
                self._put("event", encode(message))
            end_s = time.monotonic() + ANSWERED_WITHIN_S
            while self._open and time.monotonic() < end_s:
                await asyncio.sleep(0.05)
        finally:
            await end_tasks([running])

    def _put(self, kind: str, payload: bytes) -> None:
        self._outgoing.append((f"{self._base}/in/{kind}", payload))
        self._news.set()

    def _press(self, event_id: str) -> None:
        """A person presses, and again while nothing happens."""
        if event_id in self._open:
            self._put("button", encode(messages.ButtonPressed(button="teal")))
            asyncio.get_running_loop().call_later(2 * THINKS_S, self._press, event_id)

    async def _stay_connected(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with client(self._port, f"controller-{self._name}") as connection:
                    await connection.subscribe(f"{self._base}/out/+", qos=1)
                    self._outgoing = [
                        (f"{self._base}/in/event", encode(sent.message))
                        for sent in self._open.values()
                    ]
                    both = [asyncio.ensure_future(self._read(connection)),
                            asyncio.ensure_future(self._write(connection))]
                    try:
                        await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
                    finally:
                        await end_tasks(both)
                        if connection._disconnected.done():
                            connection._disconnected.exception()  # or asyncio complains of it
            await asyncio.sleep(RETRY_S * self._chance.uniform(0.5, 1.0))

    async def _write(self, connection: aiomqtt.Client) -> None:
        while True:
            self._news.clear()
            while self._outgoing:
                topic, payload = self._outgoing[0]
                await connection.publish(topic, payload, qos=1)
                del self._outgoing[:1]
            await self._news.wait()

    async def _read(self, connection: aiomqtt.Client) -> None:
        async for message in connection.messages:
            now_s, payload = time.monotonic(), bytes(message.payload)
            kind = str(message.topic).rpartition("/")[2]
            if kind == "said":
                said = messages.Said.model_validate_json(payload)
                if said.event == "asked":
                    asyncio.get_running_loop().call_later(THINKS_S, self._press, said.id)
            elif kind in ("answer", "done", "error"):
                found = messages.OUTBOUND_TYPES[kind].model_validate_json(payload)
                sent = self.sent.get(getattr(found, "id", None) or "")
                if sent is None:
                    continue  # what goes wrong beside the table answers no event
                sent.refused |= kind == "error"  # such as a question while another is open
                if sent.answered_s is None:
                    sent.answered_s = now_s
                    self._open.pop(sent.message.id, None)
                else:
                    sent.copies += 1
                sent.answers.add(payload)


def client(port: int, identifier: str) -> aiomqtt.Client:
    """A bare MQTT 5 client whose session outlives a lost connection."""
    connect = Properties(PacketTypes.CONNECT)
    connect.SessionExpiryInterval = 3600
    return aiomqtt.Client(
        "localhost", port, identifier=identifier, protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=False, properties=connect, timeout=20, logger=QUIET,
        socket_options=[AT_ONCE],
    )  # fmt: skip


async def echo(port: int, took_s: list[float]) -> None:
    """Bare clients: there and back with the same guarantee, until cancelled or cut off."""
    async with client(port, secrets.token_hex(4)) as there, client(
        port, secrets.token_hex(4)
    ) as back:
        await there.subscribe("echo/there", qos=1)
        await back.subscribe("echo/back", qos=1)

        async def send_back() -> None:
            async for message in there.messages:
                await there.publish("echo/back", message.payload, qos=1)

        async def hear() -> None:
            async for message in back.messages:
                took_s.append(time.monotonic() - float(message.payload))

        tasks = [asyncio.ensure_future(send_back()), asyncio.ensure_future(hear())]
        try:
            while not any(task.done() for task in tasks):
                await back.publish("echo/there", repr(time.monotonic()).encode(), qos=1)
                await asyncio.sleep(1 / ECHOES_A_SECOND)
        finally:
            await end_tasks(tasks)


async def hall(
    broker: Broker, book: Phrasebook, tables: int, seconds: float, outage_s: float
) -> Hall:
    """Play a hall of so many tables for so long, the broker away in the middle."""
    chance = random.Random(2031)
    links: list[MqttLink] = []

    async def close_links() -> None:
        # Side by side: each says farewell and waits for its connection's end.
        await asyncio.gather(*(link.__aexit__() for link in links))

    async with contextlib.AsyncExitStack() as opening:
        controllers, lines = [], []
        for number in range(tables):
            name = f"table_{number}"
            controller = Controller(broker.port, name, random.Random(number))
            table = await opening.enter_async_context(TimedTable(book, name, controller.sent))
            entry = MqttEntry(port=broker.port, keepalive_s=15)
            link = MqttLink(entry, name, Path(), table, random.Random(chance.random()))
            links.append(await link.__aenter__())
            table.audience.join(link.told)
            controllers.append(controller)
            lines.append(table.lines)
        opening.push_async_callback(close_links)
        took_s: list[float] = []
        until_s = time.monotonic() + seconds
        playing = [asyncio.ensure_future(one.play(until_s)) for one in controllers]
        echoing = asyncio.ensure_future(echo(broker.port, took_s))
        await asyncio.sleep(seconds / 2)
        loop = asyncio.get_running_loop()
        began_s = time.monotonic()
        await end_tasks([echoing])
        await loop.run_in_executor(None, broker.stop)
        await asyncio.sleep(outage_s)
        await loop.run_in_executor(None, broker.start)
        # Links and controllers come back one after the other; the first of it is the outage's.
        settled_s = time.monotonic() + 2 * RETRY_S + outage_s
        echoing = asyncio.ensure_future(echo(broker.port, took_s))
        await asyncio.gather(*playing)
        await end_tasks([echoing])
    return _counted(controllers, lines, took_s, began_s, settled_s)


def _counted(
    controllers: Sequence[Controller], lines: Sequence[Sequence[tuple[str, str]]],
    took_s: list[float], down_s: float, settled_s: float,
) -> Hall:  # fmt: skip
    events = [sent for one in controllers for sent in one.sent.values()]
    said = Counter(line for table in lines for line in table if line[1] != "again")
    link: list[float] = []
    outage: list[float] = []
    for sent in events:
        if sent.taken_s is None or sent.told_s is None or sent.answered_s is None:
            continue
        spent_s = sent.taken_s - sent.at_s + sent.answered_s - sent.told_s
        hit = sent.answered_s >= down_s and sent.at_s <= settled_s
        (outage if hit else link).append(spent_s)
    return Hall(
        tables=len(controllers), events=len(events),
        refused=sum(sent.refused for sent in events),
        lost=sum(sent.answered_s is None for sent in events),
        twice=sum(count - 1 for count in said.values()),
        different_answers=sum(len(sent.answers) > 1 for sent in events),
        copies=sum(sent.copies for sent in events), sent_in_outage=len(outage),
        link_s=sorted(link), outage_s=sorted(outage), echo_s=sorted(took_s),
    )  # fmt: skip


def play(tables: int, seconds: float, outage_s: float = OUTAGE_S) -> Hall:
    """A hall from beginning to end, on a broker of its own."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 8192)), hard))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
        book = load_phrasebook([folder / "book.yaml"])
        with Broker(folder / "broker") as broker:
            return asyncio.run(hall(broker, book, tables, seconds, outage_s))


def measure(tables: int = 200, seconds: float = 120.0) -> list[dict[str, Any]]:
    """The hall's figures, as rows."""
    found = play(tables, seconds)
    echo_p95 = float(np.percentile(found.echo_s, 95))

    def row(what: str, took_s: Sequence[float]) -> dict[str, Any]:
        if not took_s:
            return {"what": what, "n": 0}
        median, p95, p99 = np.percentile(took_s, [50, 95, 99]) * 1000
        return {"what": what, "n": len(took_s), "median_ms": float(median), "p95_ms": float(p95),
                "p99_ms": float(p99), "times_echo_p95": float(p95) / 1000 / echo_p95}

    whole = {"what": f"{found.tables} tables, {found.events} events in {seconds:g} s",
             "refused": found.refused, "lost": found.lost, "said_twice": found.twice,
             "answers_that_differ": found.different_answers, "copies": found.copies,
             "met": found.lost == found.twice == found.different_answers == 0}
    return [
        whole,
        row("event and answer, by the link and the broker", found.link_s),
        row("bare aiomqtt, there and back", found.echo_s),
        row(f"events that met the outage of {OUTAGE_S:g} s", found.outage_s),
    ]
