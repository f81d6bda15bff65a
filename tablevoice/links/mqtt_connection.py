"""One connection to a broker: MQTT 5 by aiomqtt, as the link needs it.

Turns the settings into a connection with its secret, its TLS and its last will, and lets the
link acknowledge what came only once it is on the disk. Knows nothing of what messages say.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import ssl
from collections import deque
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt
from aiomqtt import Message, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions
from pydantic import SecretStr

from tablevoice.errors import FileRefused, Problem
from tablevoice.links.lines import LONGEST_LINE_BYTES
from tablevoice.links.mqtt_settings import PORT, TLS_PORT, MqttEntry
from tablevoice.links.mqtt_topics import Packet

ANSWER_WITHIN_S = 10.0
"""A broker that takes longer for an acknowledgement is gone, or as good as gone."""

LARGEST_PACKET_BYTES = 2 * LONGEST_LINE_BYTES
"""What the broker may send: a message that is too long still gets its error, one that is far
too long never gets here."""

MOST_UNCOUNTED = 256
"""Messages without a guarantee that may wait; the others are bounded by the receive maximum."""

AT_ONCE = (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
"""Small messages do not wait for the acknowledgement of others: that costs 40 ms each way."""

DO_NOT_SEND_RETAINED = 2
"""Retain handling, MQTT 5.0 section 3.8.3.1."""

REFUSED_FROM = 0x80
"""Reason codes from here on are refusals, MQTT 5.0 section 2.4."""


_LOGGER = logging.getLogger(__name__)
_LOGGER.addHandler(logging.NullHandler())
"""What the libraries say of lost sockets; the link reports it in its own words."""


@dataclass(frozen=True, slots=True)
class Access:
    """How the broker is reached, secrets read."""

    host: str
    port: int
    client_id: str
    user: str | None
    password: SecretStr | None
    tls: ssl.SSLContext | None


def access(entry: MqttEntry, folder: Path, client_id: str) -> tuple[Access, list[Problem]]:
    """What the settings name, read from files seen from ``folder``, and what is unwise about it.

    Raises FileRefused when a secret or a certificate cannot be read.
    """
    problems: list[Problem] = []
    tls = None if entry.tls is None else _tls(entry, folder)
    password = _password(entry, folder, problems)
    port = entry.port or (PORT if tls is None else TLS_PORT)
    return Access(entry.host, port, client_id, entry.user, password, tls), problems


def _password(entry: MqttEntry, folder: Path, problems: list[Problem]) -> SecretStr | None:
    if entry.password_env is not None:
        found = os.environ.get(entry.password_env)
        if not found:
            raise FileRefused([Problem(
                f"the environment variable {entry.password_env} is not set.",
                "links.mqtt.password_env", "Set it before the table starts.")])
        return SecretStr(found)
    if entry.password_file is None:
        return None
    path = folder / Path(entry.password_file).expanduser()
    try:
        text = path.read_text("utf-8")
        mode = path.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        raise FileRefused([Problem(
            f"the password cannot be read: {_reason(error)}.", str(path),
            "Put it there, for the table's user alone to read.")]) from error
    if not text.strip():
        raise FileRefused([Problem("the password file is empty.", str(path), "Put it there.")])
    if os.name == "posix" and mode & 0o077:
        problems.append(Problem("others may read the password.", str(path), f"chmod 600 {path}"))
    return SecretStr(text.rstrip("\r\n"))


def _tls(entry: MqttEntry, folder: Path) -> ssl.SSLContext:
    assert entry.tls is not None
    ca = None if entry.tls.ca is None else folder / Path(entry.tls.ca).expanduser()
    where = str(ca)
    try:
        context = ssl.create_default_context(cafile=ca)
        if entry.tls.certificate is not None and entry.tls.key is not None:
            certificate = folder / Path(entry.tls.certificate).expanduser()
            key = folder / Path(entry.tls.key).expanduser()
            where = f"{certificate}, {key}"
            context.load_cert_chain(certificate, key, password=_no_passphrase)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise FileRefused([Problem(
            f"this is no usable certificate: {_reason(error)}.", where,
            "Name PEM files that the table's user may read, the key without a passphrase.")
        ]) from error
    return context


def _no_passphrase() -> str:
    raise ValueError("the key has a passphrase")  # or OpenSSL would ask the terminal for it


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error)


class _Arrivals(asyncio.Queue[Message]):
    """What came and was not looked at yet: bounded also where the protocol bounds nothing."""

    def put_nowait(self, item: Message) -> None:
        if item.qos == 0 and self.qsize() >= MOST_UNCOUNTED:
            raise asyncio.QueueFull  # aiomqtt drops it then
        super().put_nowait(item)


class Connection(aiomqtt.Client):
    """A connection; acknowledges what came when it is told to, and notes what was refused.

    ``refused``: topics that the broker does not let this client publish on.
    """

    def __init__(self, to: Access, entry: MqttEntry, will: Packet) -> None:
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = entry.session_expiry_s
        properties.ReceiveMaximum = entry.receive_maximum
        properties.MaximumPacketSize = LARGEST_PACKET_BYTES
        super().__init__(
            to.host,
            to.port,
            username=to.user,
            password=None if to.password is None else to.password.get_secret_value(),
            identifier=to.client_id,
            queue_type=_Arrivals,
            protocol=ProtocolVersion.V5,
            will=Will(will.topic, will.payload, qos=1, retain=True),
            clean_start=False,
            properties=properties,
            keepalive=entry.keepalive_s,
            timeout=ANSWER_WITHIN_S,
            tls_context=to.tls,
            socket_options=[AT_ONCE],
            logger=_LOGGER,
        )
        self.refused: list[str] = []
        self._on_their_way: deque[str] = deque()
        # What aiomqtt 2 does not pass on of paho, which is part of its public interface.
        self._client.manual_ack_set(True)
        self._client.on_publish = self._acknowledged

    async def listen(self, topics: dict[str, int]) -> list[str]:
        """Subscribe to ``topics``, each with its quality of service; gives those refused."""
        wanted = [
            (topic, SubscribeOptions(qos=qos, retainHandling=DO_NOT_SEND_RETAINED))
            for topic, qos in topics.items()
        ]
        reasons = await self.subscribe(wanted)
        return [
            topic for topic, reason in zip(topics, reasons, strict=True)
            if _refuses(reason)
        ]  # fmt: skip

    async def send(self, packet: Packet) -> None:
        """Publish, and wait until the broker has it. Raises MqttError."""
        properties = Properties(PacketTypes.PUBLISH)
        if packet.correlation is not None:
            properties.CorrelationData = packet.correlation
        self._on_their_way.append(packet.topic)
        await self.publish(
            packet.topic, packet.payload, qos=1, retain=packet.retain, properties=properties
        )

    def acknowledge(self, message: Message) -> None:
        """What came is safe; one that came on a connection that is gone comes again."""
        if message.qos and self._client.is_connected():
            self._client.ack(message.mid, message.qos)

    async def end(self) -> None:
        """End it, lost or not: with a farewell, so that the last will stays unsaid, if it can."""
        try:
            await self.__aexit__(None, None, None)
        except MqttError:
            pass  # a farewell that nobody took; whoever lost the connection knows it already
        if self._disconnected.done():
            self._disconnected.exception()  # looked at, or asyncio would complain of it

    def let_go(self) -> None:
        """End a connection that came about when nobody wanted it any more."""
        self._client.disconnect()

    def _acknowledged(
        self, client: Any, userdata: Any, mid: int, reason: Any, properties: Any = None
    ) -> None:
        # In the order of the messages: MQTT 5.0, MQTT-4.6.0-2.
        topic = self._on_their_way.popleft()
        if _refuses(reason):
            self.refused.append(topic)
        self._on_publish(client, userdata, mid, reason, properties)


async def end_tasks(tasks: Collection[asyncio.Future[None]]) -> None:
    """Cancel tasks and wait for their end, whatever they end with.

    Until Python 3.12 ``wait_for``, by which aiomqtt waits, may swallow a cancellation that comes
    together with what was waited for; so it is repeated.
    """
    left = set(tasks)
    while left:
        for task in left:
            task.cancel()
        done, left = await asyncio.wait(left, timeout=0.2)
        for task in done:
            if not task.cancelled():
                task.exception()  # looked at, or asyncio would complain of it


def _refuses(reason: object) -> bool:
    return int(getattr(reason, "value", 0)) >= REFUSED_FROM


def properties_of(message: Message) -> tuple[str | None, bytes | None, float | None]:
    """Response topic, correlation data and message expiry (seconds that are left)."""
    found = message.properties
    expiry = getattr(found, "MessageExpiryInterval", None)
    return (
        getattr(found, "ResponseTopic", None), getattr(found, "CorrelationData", None),
        None if expiry is None else float(expiry),
    )  # fmt: skip


__all__ = [
    "Access", "Connection", "Message", "MqttError", "access", "end_tasks", "properties_of",
]
