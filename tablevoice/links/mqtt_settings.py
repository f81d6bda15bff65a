"""What a cell file says under ``links: mqtt:``: the broker, who the table is there, what may come.

Knows the shape and what makes it unsafe; opens nothing and reads no secret. Read with the
cell file; the link takes it from there.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from typing import Annotated, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from tablevoice.links.rights import EVERYDAY_RIGHTS, Right

PORT, TLS_PORT = 1883, 8883
"""As registered with IANA: mqtt and secure-mqtt."""

Level: TypeAlias = Annotated[str, StringConstraints(pattern=r"^[^+#/\x00-\x1f$][^+#/\x00-\x1f]*$",
                                                    max_length=64)]
Levels: TypeAlias = Annotated[str, StringConstraints(
    pattern=r"^[^+#/\x00-\x1f$][^+#/\x00-\x1f]*(/[^+#/\x00-\x1f]+)*$", max_length=128)]
Finding: TypeAlias = tuple[tuple[str, ...], str, str]
"""The key's path, what is wrong, what would be right."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class TlsEntry(_Entry):
    """TLS to the broker, whose certificate is always checked."""

    ca: str | None = Field(
        default=None, description="A PEM file of the authority that signed the broker's "
        "certificate, seen from the cell file; null: the system's authorities.")
    certificate: str | None = Field(
        default=None, description="The table's own certificate, a PEM file.")
    key: str | None = Field(default=None, description="The key of that certificate, a PEM file.")


class MqttEntry(_Entry):
    """A broker that speaks MQTT 5, on this computer unless TLS and a secret are named."""

    host: Annotated[str, StringConstraints(min_length=1, max_length=253)] = Field(
        default="localhost",
        description="The broker. One on another computer needs 'tls' and a secret.")
    port: int | None = Field(
        default=None, ge=1, le=65_535, description=f"null: {PORT}, with TLS {TLS_PORT}.")
    prefix: Levels = Field(default="tablevoice", description="The topics' first levels.")
    name: Level | None = Field(
        default=None,
        description="The topics' next level; null: the table's name in small letters.")
    client_id: Annotated[str, StringConstraints(min_length=1, max_length=64)] | None = Field(
        default=None,
        description="The table's name at the broker, like no other; null: prefix and name.")
    user: Annotated[str, StringConstraints(min_length=1, max_length=128)] | None = Field(
        default=None, description="The table's user at the broker.")
    password_file: str | None = Field(
        default=None,
        description="A file that holds the password and nothing else, seen from this file.")
    password_env: Annotated[str, StringConstraints(pattern=r"^[A-Za-z_]\w*$")] | None = Field(
        default=None, description="An environment variable that holds the password.")
    tls: TlsEntry | None = None
    may: list[Right] = Field(
        default_factory=lambda: sorted(EVERYDAY_RIGHTS),
        description="What peers may send, each on a topic of its own; the broker's access list "
        "says which peer.", examples=[["events", "buttons", "hold_cleared"]])
    session_expiry_s: int = Field(
        default=3600, ge=0, le=86_400,
        description="How long the broker keeps events while the table is away.")
    receive_maximum: int = Field(
        default=32, ge=1, le=1024,
        description="Events that the broker sends before they are taken down.")
    keepalive_s: int = Field(
        default=15, ge=2, le=3600, description="A link that is silent for so long is tried.")

    def findings(self) -> Iterator[Finding]:
        """What no shape can say."""
        if self.password_file and self.password_env:
            yield (("password_env",), "the password has two places.", "Name a file or a variable.")
        secret = self.password_file or self.password_env
        if secret and not self.user:
            yield (("user",), "there is a password and no user.", "Add 'user:'.")
        if self.user and not secret:
            yield (("user",), "there is a user and no password.",
                   "Add 'password_file:' or 'password_env:'.")
        tls = self.tls
        if tls is not None and (tls.certificate is None) != (tls.key is None):
            yield (("tls",), "a certificate goes with its key.",
                   "Name both 'certificate:' and 'key:', or neither.")
        certificate = tls is not None and tls.certificate is not None
        if not is_loopback(self.host) and (tls is None or not (secret or certificate)):
            yield (("host",), f"the broker {self.host!r} is on another computer.",
                   "Add 'tls:' and either 'user:' with 'password_file:' or a certificate under "
                   "'tls:', or use a broker on this computer.")


def is_loopback(host: str) -> bool:
    """Whether what is sent there stays on this computer, without asking any name server."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def level_of(table: str) -> str:
    """A table's name as one level of a topic: letters and digits of any script, and '_'."""
    return re.sub(r"\W+", "_", table.strip().lower()).strip("_") or "table"
