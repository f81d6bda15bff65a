"""A real broker (mosquitto) on a port of its own, and a peer that speaks to a table over it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

MOSQUITTO = "/usr/sbin/mosquitto"
WITHIN_S = 20.0
Row = dict[str, Any]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


class Certificates:
    """An authority, the broker's certificate for ``localhost``, and one of a client."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ca, self._ca_key = folder / "ca.pem", folder / "ca.key"
        _openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
                 "-nodes", "-days", "2", "-subj", "/CN=test authority", "-keyout", self._ca_key,
                 "-out", self.ca)  # fmt: skip
        self.server, self.server_key = self.issue("localhost", "DNS:localhost,IP:127.0.0.1")

    def issue(self, name: str, alternatives: str = "") -> tuple[Path, Path]:
        """A certificate and its key."""
        certificate, key = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        request, extensions = self.folder / f"{name}.csr", self.folder / f"{name}.ext"
        _openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                 "-subj", f"/CN={name}", "-keyout", key, "-out", request)
        extensions.write_text(f"subjectAltName={alternatives}\n" if alternatives else "")
        _openssl("x509", "-req", "-in", request, "-CA", self.ca, "-CAkey", self._ca_key,
                 "-CAcreateserial", "-days", "2", "-extfile", extensions, "-out", certificate)
        return certificate, key


def _openssl(*arguments: object) -> None:
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


class Broker:
    """mosquitto, as a context manager. ``users`` maps names to passwords; ``acl`` as its file.

    ``client_certificates``: it asks its clients for one, and takes the name in it as the user.
    """

    def __init__(
        self,
        folder: Path,
        *,
        users: dict[str, str] | None = None,
        acl: str | None = None,
        tls: Certificates | None = None,
        client_certificates: bool = False,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.tls = tls
        self._config = folder / "mosquitto.conf"
        self._log = folder / "mosquitto.log"
        lines = [
            "per_listener_settings false", "persistence true",
            f"persistence_location {folder}/", f"allow_anonymous {str(users is None).lower()}",
            "log_type warning", "log_type error", f"log_dest file {self._log}",
            "max_queued_messages 10000", "set_tcp_nodelay true",
        ]  # fmt: skip
        if os.geteuid() == 0:
            lines.append("user root")
        if users:
            passwords = folder / "passwords"
            passwords.write_text("".join(f"{name}:{word}\n" for name, word in users.items()))
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
            lines.append(f"password_file {passwords}")
        if acl is not None:
            (folder / "acl").write_text(acl, encoding="utf-8")
            (folder / "acl").chmod(0o600)
            lines.append(f"acl_file {folder / 'acl'}")
        lines.append(f"listener {self.port} 127.0.0.1")
        if tls is not None:
            lines += [f"cafile {tls.ca}", f"certfile {tls.server}", f"keyfile {tls.server_key}"]
        if client_certificates:
            lines += ["require_certificate true", "use_identity_as_username true"]
        self._config.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Broker:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self.stop(signal.SIGKILL)

    def start(self) -> None:
        """Start it, on what it kept when there is something."""
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        end_s = time.monotonic() + WITHIN_S
        while time.monotonic() < end_s and self._process.poll() is None:
            with contextlib.suppress(OSError), socket.create_connection(
                ("127.0.0.1", self.port), 1.0
            ):
                return
            time.sleep(0.02)
        log = self._log.read_text(errors="replace")[-2000:] if self._log.exists() else ""
        raise AssertionError(f"mosquitto did not start: {log}")

    def stop(self, how: int = signal.SIGTERM) -> None:
        """End it; with SIGTERM it keeps its sessions and messages on the disk."""
        assert self._process is not None
        self._process.send_signal(how)
        self._process.wait(WITHIN_S)
        self._process = None

    def freeze(self) -> None:
        """It answers nobody any more, and no connection breaks: a network that is parted."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


class Peer:
    """A controller at the broker: sends to one table, and keeps all that the table tells."""

    def __init__(
        self, broker: Broker, base: str, *, user: str | None = None, password: str | None = None,
        listen: tuple[str, ...] = ("#",), identifier: str | None = None,
    ) -> None:  # fmt: skip
        self.base = base
        self.seen: list[tuple[str, Row, aiomqtt.Message]] = []
        """Topic below the base, the message, and how it came."""
        self._listen = listen
        self._news = asyncio.Condition()
        tls = None
        if broker.tls is not None:
            tls = aiomqtt.TLSParameters(ca_certs=str(broker.tls.ca))
        connect = Properties(PacketTypes.CONNECT)
        connect.SessionExpiryInterval = 3600
        self.client = aiomqtt.Client(
            "localhost", broker.port, username=user, password=password, tls_params=tls,
            protocol=aiomqtt.ProtocolVersion.V5, clean_start=False, properties=connect,
            identifier=identifier or f"peer-{secrets.token_hex(4)}",
        )  # fmt: skip
        self.refused: list[str] = []
        plainly: Any = self.client._client.on_publish

        def published(client: Any, data: Any, mid: int, reason: Any, more: Any = None) -> None:
            if reason.value >= 0x80:
                self.refused.append(str(reason))
            plainly(client, data, mid, reason, more)

        self.client._client.on_publish = published

    async def __aenter__(self) -> Peer:
        await self.client.__aenter__()
        for below in self._listen:
            await self.client.subscribe(f"{self.base}/{below}", qos=1)
        self._reading = asyncio.get_running_loop().create_task(self._read())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._reading.cancel()
        await asyncio.gather(self._reading, return_exceptions=True)
        with contextlib.suppress(aiomqtt.MqttError):
            await self.client.__aexit__(None, None, None)

    async def _read(self) -> None:
        async for message in self.client.messages:
            below = str(message.topic).removeprefix(self.base + "/")
            payload = message.payload
            row = json.loads(payload)
            if below == "health":  # a document of its own, no message of the schema
                row = {"type": "health", "health": row}
            async with self._news:
                self.seen.append((below, row, message))
                self._news.notify_all()

    async def send(self, row: Row | bytes, *, to: str | None = None, qos: int = 1,
                   retain: bool = False, **properties: Any) -> None:  # fmt: skip
        """Send a message on the topic of its type, and wait until the broker has it."""
        kind = to if to is not None or isinstance(row, bytes) else row["type"]
        given = Properties(PacketTypes.PUBLISH)
        for name, value in properties.items():
            setattr(given, name, value)
        payload = row if isinstance(row, bytes) else json.dumps({"v": 1, **row}).encode()
        await self.client.publish(
            f"{self.base}/in/{kind}", payload, qos=qos, retain=retain, properties=given
        )

    async def event(self, event_id: str, name: str, sent_utc: str | None = None,
                    retain: bool = False, **properties: Any) -> None:  # fmt: skip
        row: Row = {"type": "event", "id": event_id, "event": name}
        if sent_utc is not None:
            row["sent_utc"] = sent_utc
        await self.send(row, retain=retain, **properties)

    async def wait_for(self, fits: Callable[[str, Row], bool], within_s: float = WITHIN_S) -> Row:
        """The first message that fits, of those that came or are still to come."""
        async def found() -> Row:
            looked_at = 0
            async with self._news:
                while True:
                    for below, row, _ in self.seen[looked_at:]:
                        if fits(below, row):
                            return row
                    looked_at = len(self.seen)
                    await self._news.wait()

        try:
            return await asyncio.wait_for(found(), within_s)
        except asyncio.TimeoutError:
            last = [(below, row) for below, row, _ in self.seen[-12:]]
            raise AssertionError(f"never came; last seen: {last}") from None

    async def outcome(self, event_id: str, within_s: float = WITHIN_S) -> Row:
        """What became of an event."""
        return await self.wait_for(
            lambda below, row: below in OUTCOMES and row.get("id") == event_id, within_s
        )

    def outcomes(self, event_id: str) -> list[Row]:
        """All that was told of what became of an event."""
        return [r for below, r, _ in self.seen if below in OUTCOMES and r.get("id") == event_id]

    async def status(self, kind: str, why: str | None = None) -> Row:
        return await self.wait_for(
            lambda below, row: below == "status" and row["type"] == kind
            and why in (None, row.get("why"))
        )  # fmt: skip


OUTCOMES = ("out/answer", "out/done", "out/error")
