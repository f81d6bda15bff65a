"""The link to controllers over a broker that speaks MQTT 5.

Keeps a connection up, hands what comes to the table and sends what the table tells; which
topics those are is :mod:`mqtt_topics`, what waits is :mod:`mqtt_outbox`. An event is
acknowledged to the broker once it is on the disk, so that one which was lost with the
computer comes again. Opened by :mod:`tablevoice.linking`; lives on the session's loop.
"""

from __future__ import annotations

import asyncio
import random
from collections import OrderedDict
from pathlib import Path

from tablevoice.errors import MessageRefused, Problem
from tablevoice.links import messages
from tablevoice.links.backoff import waits_s
from tablevoice.links.doors import Door
from tablevoice.links.json_lines import encode
from tablevoice.links.messages import Outbound
from tablevoice.links.mqtt_connection import (
    Access,
    Connection,
    Message,
    MqttError,
    access,
    end_tasks,
    properties_of,
)
from tablevoice.links.mqtt_outbox import Outbox
from tablevoice.links.mqtt_settings import MqttEntry, level_of
from tablevoice.links.mqtt_topics import DOOR, Packet, Route, Topics
from tablevoice.links.served import ServedTable

LAST_WORDS_S = 3.0
"""How long the end of a session waits for the broker to take the last answers."""

STEADY_S = 30.0
"""A connection that held for so long was a good one: the next loss is a new one."""

MOST_FLYING = 16
"""Messages on their way to the broker at once; brokers allow twenty and more."""

MOST_ROUTES = 1024
WHERE = "links.mqtt"


class MqttLink:
    """An async context manager. The table runs on, whether the broker is there or not.

    ``folder``: where the settings' files are seen from. Opening raises FileRefused when a
    secret or a certificate cannot be read.
    """

    def __init__(
        self, entry: MqttEntry, table_name: str, folder: Path, table: ServedTable,
        chance: random.Random | None = None,
    ) -> None:  # fmt: skip
        name = entry.name or level_of(table_name)
        self.topics = Topics(f"{entry.prefix}/{name}")
        self.connected = asyncio.Event()
        """Set while the broker is there and the table listens."""
        self._entry = entry
        self._folder = folder
        self._client_id = entry.client_id or f"{entry.prefix}-{name}".replace("/", "-")
        self._table = table
        self._door = Door(DOOR, frozenset(entry.may))
        self._chance = chance if chance is not None else random.Random()
        self._outbox = Outbox()
        self._more = asyncio.Event()
        self._routes: OrderedDict[str, Route] = OrderedDict()
        self._ready: messages.Ready | None = None
        self._closed: messages.Closed | None = None
        self._closing = False
        self._reported: set[str] = set()
        self._why_down = "not connected yet"

    @property
    def name(self) -> str:
        """What the table's health calls it."""
        return DOOR

    @property
    def why_down(self) -> str:
        """Why the broker is not to be had, empty while it is there."""
        return "" if self.connected.is_set() else self._why_down

    async def __aenter__(self) -> MqttLink:
        self._access, problems = access(self._entry, self._folder, self._client_id)
        for problem in problems:
            self._table.report_problem(problem)
        self._running = asyncio.get_running_loop().create_task(self._run())
        self._running.add_done_callback(self._ended)
        return self

    async def __aexit__(self, *_: object) -> None:
        self._closing = True
        self._more.set()
        if self.connected.is_set():
            await asyncio.wait({self._running}, timeout=LAST_WORDS_S)
        await end_tasks({self._running})
        unsent = len(self._outbox)
        if unsent:
            self._report(f"{unsent} messages could not be sent before the end.", "")

    # --- what the table tells ---------------------------------------------------

    def told(self, message: Outbound) -> None:
        """A message of the table, on its way to the broker; never waits."""
        match message:
            case messages.Ready():
                self._ready = message
                self._stand("status", encode(message).rstrip(b"\n"))
            case messages.GuardReported():
                self._stand("guard", encode(message).rstrip(b"\n"))
            case messages.Closed():
                self._closed = message  # said last, after all answers
            case messages.PhrasebookChanged() if self._ready is not None:
                self._ready = self._ready.model_copy(update={"events": message.events})
                self._stand("status", encode(self._ready).rstrip(b"\n"))
                self._send(message)
            case _:
                self._send(message)

    def publish_health(self, text: str) -> None:
        """How the table is, retained on its health topic; the newest text counts."""
        self._stand("health", text.encode("utf-8"))

    def _send(self, message: Outbound) -> None:
        given = getattr(message, "id", None) or ""
        route = self._routes.get(given)
        if isinstance(message, messages.Said | messages.HeardReported):
            route = None  # on the way to the answer, not the answer
        elif route is not None and not isinstance(message, messages.ErrorReported):
            del self._routes[given]
        for packet in self.topics.packets(message, self._door, route):
            self._outbox.put(packet)
        self._more.set()

    def _stand(self, what: str, payload: bytes) -> None:
        self._outbox.put(Packet(self.topics.standing(what), payload, retain=True))
        self._more.set()

    # --- the connection ---------------------------------------------------------

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        waits = waits_s(self._chance)
        while not self._closing:
            began_s = loop.time()
            try:
                await self._serve(Connection(self._access, self._entry, self._will()))
            except MqttError as error:
                if loop.time() - began_s >= STEADY_S:
                    waits = waits_s(self._chance)
                    self._reported.clear()
                self._lost(error)
            finally:
                self.connected.clear()
            if not self._closing:
                await asyncio.sleep(next(waits))

    async def _serve(self, connection: Connection) -> None:
        """Until the connection is lost (MqttError) or the last word was said."""
        await _connect(connection)
        tasks: list[asyncio.Task[None]] = []
        try:
            denied = await connection.listen(self.topics.inbound)
            for topic in denied:
                self._report(f"the broker does not let the table listen on {topic}.",
                             "Allow it in the broker's access list.")
            self._outbox.connected()
            self.connected.set()
            self._say_what_was_given_up()
            loop = asyncio.get_running_loop()
            tasks = [loop.create_task(self._read(connection)),
                     loop.create_task(self._write(connection))]
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            await end_tasks(tasks)
            await connection.end()

    async def _read(self, connection: Connection) -> None:
        async for message in connection.messages:
            self._take(message)
            if message.qos:
                self._acknowledge_when_written(connection, message)

    def _acknowledge_when_written(self, connection: Connection, message: Message) -> None:
        self._table.when_written(lambda: connection.acknowledge(message))

    def _take(self, message: Message) -> None:
        topic, payload = str(message.topic), message.payload
        given: str | None = None
        try:
            inbound = self.topics.read(topic, bytes(payload), retained=message.retain)
            given = getattr(inbound, "id", None)
            response_topic, correlation, expiry_s = properties_of(message)
            route = self.topics.route(response_topic, correlation)
            inbound = self._door.inward(inbound)
        except MessageRefused as refused:
            if refused.message_id is None and given is not None:
                refused = MessageRefused(
                    refused.problem.what, where=refused.problem.where, do=refused.problem.do,
                    message_id=given,
                )  # fmt: skip
            self._table.refuse(self._door.refused(refused))
            return
        inside = getattr(inbound, "id", None)
        if route is not None and inside is not None:
            self._routes[inside] = route
            if len(self._routes) > MOST_ROUTES:
                self._routes.popitem(last=False)
        self._table.receive(inbound, worth_s=expiry_s)

    async def _write(self, connection: Connection) -> None:
        loop = asyncio.get_running_loop()
        flying: set[asyncio.Task[None]] = set()
        try:
            while not (self._closing and len(self._outbox) == 0):
                self._more.clear()
                while len(flying) < MOST_FLYING and (packet := self._outbox.next()) is not None:
                    task = loop.create_task(self._fly(connection, packet))
                    task.add_done_callback(lambda _: self._more.set())
                    flying.add(task)
                await self._more.wait()
                for task in [task for task in flying if task.done()]:
                    flying.remove(task)
                    task.result()
            last = self._closed or messages.Closed(at_s=self._table.now_s)
            payload = encode(last).rstrip(b"\n")
            await connection.send(Packet(self.topics.standing("status"), payload, retain=True))
        finally:
            await end_tasks(flying)

    async def _fly(self, connection: Connection, packet: Packet) -> None:
        await connection.send(packet)
        self._outbox.sent(packet)
        self._look_at_refusals(connection)

    # --- what goes wrong --------------------------------------------------------

    def _will(self) -> Packet:
        gone = messages.Closed(at_s=self._table.now_s, why="gone")
        return Packet(self.topics.standing("status"), encode(gone).rstrip(b"\n"), retain=True)

    def _lost(self, error: MqttError) -> None:
        where = f"{self._access.host}:{self._access.port}"
        self._why_down = f"the broker at {where}: {error}"
        self._report(f"the broker at {where} is not to be had: {error}.", _advice(str(error)))

    def _say_what_was_given_up(self) -> None:
        given_up, self._outbox.given_up = self._outbox.given_up, 0
        if given_up:
            self._table.report_problem(Problem(
                f"while the broker was away {given_up} messages of what was said and heard were "
                "given up, the oldest first; no answer was.", WHERE,
                "The history has all of it.",
            ))  # fmt: skip

    def _look_at_refusals(self, connection: Connection) -> None:
        while connection.refused:
            self._report(
                f"the broker does not let the table publish on {connection.refused.pop()}.",
                "Allow it in the broker's access list.",
            )

    def _report(self, what: str, do: str) -> None:
        """Say it once, until a connection was steady again."""
        if what not in self._reported:
            self._reported.add(what)
            self._table.report_problem(Problem(what, WHERE, do))

    def _ended(self, running: asyncio.Task[None]) -> None:
        if not running.cancelled() and running.exception() is not None:
            self._report(f"the link ended by a mistake of the program: {running.exception()!r}.",
                         "Start the table again, and report this.")


async def _connect(connection: Connection) -> None:
    """Connect; what comes about after nobody wants it any more is ended again."""
    connecting = asyncio.ensure_future(connection.__aenter__())
    try:
        await asyncio.shield(connecting)
    except asyncio.CancelledError:
        connecting.add_done_callback(
            lambda over: connection.let_go() if over.exception() is None else None
        )
        raise


def _advice(reason: str) -> str:
    for sign, advice in (
        ("code:134", "Check user and password."),
        ("code:135", "Check user and password, and the broker's access list."),
        ("code:142", "Another client has this table's client id: give each table its own."),
        ("certificate", "Check the broker's certificate against 'tls.ca' and its host's name."),
    ):
        if sign in reason:
            return advice
    return "The table runs on and keeps trying."


__all__ = ["Access", "MqttLink"]
