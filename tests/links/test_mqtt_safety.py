"""Who may send what over a broker, what is believed of it, and that no secret is ever shown."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused
from tablevoice.links.mqtt_link import MqttLink
from tablevoice.links.mqtt_settings import MqttEntry, TlsEntry, is_loopback
from tablevoice.model import Phrasebook
from tests.links.broker import Broker, Certificates, Peer
from tests.links.mqtt_scene import BASE, EXAMPLES, entry, linked, run, until
from tests.soundless import SoundlessTable

# --- rights, secrets, TLS -------------------------------------------------------

ACL = (EXAMPLES / "acl").read_text("utf-8").replace("/lantern_table/", "/bench/")
USERS = {"lantern_table": "lantern oil", "lantern_cell": "string", "reset_panel": "red key"}


def test_the_access_list_keeps_a_reset_from_a_peer_that_may_send_events(
    book: Phrasebook, tmp_path: Path, certificates: Certificates
) -> None:
    secret = tmp_path / "table.password"
    secret.write_text("lantern oil\n")
    secret.chmod(0o600)

    async def scene(broker: Broker) -> None:
        settings = entry(
            broker, user="lantern_table", password_file=secret.name,
            tls=TlsEntry(ca=str(certificates.ca)),
            may=["events", "buttons", "hold_cleared"],
        )  # fmt: skip
        async with (
            linked(book, settings, folder=tmp_path) as (table, _),
            Peer(broker, BASE, user="lantern_cell", password="string") as cell,
            Peer(broker, BASE, user="reset_panel", password="red key", listen=("status",)) as panel,
        ):
            await cell.event("e1", "lit")
            assert (await cell.outcome("e1"))["said"] == "said"
            await cell.send({"type": "hold_cleared"})
            await cell.send({"type": "close"})
            assert cell.refused == ["Not authorized", "Not authorized"]
            await cell.event("e2", "lit")
            await cell.outcome("e2")
            assert "hold_cleared" not in [row.type for row in table.received]
            await panel.send({"type": "hold_cleared", "by": "panel"})
            await until(lambda: "hold_cleared" in [row.type for row in table.received])
            assert not table.closed.is_set()

    with Broker(tmp_path / "broker", users=USERS, acl=ACL, tls=certificates) as broker:
        run(scene(broker))


def test_without_an_access_list_a_right_that_is_not_named_is_refused(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, _), Peer(broker, BASE) as peer:
            await peer.send({"type": "hold_cleared", "id": "h1"})
            await peer.send({"type": "close", "id": "c1"})
            assert "'close' under 'may:'" in (await peer.outcome("c1"))["do"]
            assert "'hold_cleared' under 'may:'" in (await peer.outcome("h1"))["do"]
            assert not table.closed.is_set()

    run(scene())


def test_a_client_certificate_stands_for_a_password(
    book: Phrasebook, tmp_path: Path, certificates: Certificates
) -> None:
    certificate, key = certificates.issue("table")

    async def scene(broker: Broker) -> None:
        tls = TlsEntry(ca=str(certificates.ca), certificate=str(certificate), key=str(key))
        async with linked(book, entry(broker, tls=tls)) as (table, _):
            assert table.problems == []

    with Broker(
        tmp_path / "broker", users={}, acl=f"user table\ntopic readwrite {BASE}/#\n",
        tls=certificates, client_certificates=True,
    ) as broker:  # fmt: skip
        run(scene(broker))


def test_a_broker_with_another_certificate_is_not_believed(
    book: Phrasebook, tmp_path: Path, certificates: Certificates
) -> None:
    strangers = tmp_path / "strangers"
    strangers.mkdir()

    async def scene(broker: Broker) -> None:
        settings = entry(broker, tls=TlsEntry(ca=str(certificates.ca)))
        async with linked(book, settings, wait=False) as (table, link):
            await until(lambda: len(table.problems) > 0)
            assert "certificate" in table.problems[0]
            assert not link.connected.is_set()

    with Broker(tmp_path / "broker", tls=Certificates(strangers)) as broker:
        run(scene(broker))


def test_a_wrong_password_is_reported_once_and_never_shown(
    book: Phrasebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    monkeypatch.setenv("BENCH_PASSWORD", "not lantern oil")
    caplog.set_level("DEBUG")

    async def scene(broker: Broker) -> None:
        settings = entry(broker, user="lantern_table", password_env="BENCH_PASSWORD")
        async with linked(book, settings, wait=False) as (table, link):
            await until(lambda: len(table.problems) > 0)
            await asyncio.sleep(1.0)  # long enough for more attempts
            (problem,) = table.problems
            assert "Not authorized" in problem or "Bad user name" in problem
            shown = [repr(m) for m in table.told] + [
                repr(settings), repr(link._access), str(settings.model_dump())]
            assert not any("lantern oil" in text for text in shown)
            assert "lantern oil" not in caplog.text

    with Broker(tmp_path / "broker", users=USERS, acl=ACL) as broker:
        run(scene(broker))


def test_topics_that_the_broker_keeps_from_the_table_are_named(
    book: Phrasebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCH_PASSWORD", "lantern oil")

    async def scene(broker: Broker) -> None:
        settings = entry(broker, user="lantern_table", password_env="BENCH_PASSWORD")
        async with linked(book, settings, wait=False) as (table, _):
            await until(lambda: any("publish on" in what for what in table.problems))
            assert any(f"{BASE}/status" in what for what in table.problems)

    with Broker(tmp_path / "broker", users=USERS,
                acl="user lantern_table\ntopic read nothing\n") as broker:  # fmt: skip
        run(scene(broker))


@pytest.mark.parametrize(("more", "what"), [
    ({"user": "table", "password_file": "missing"}, "cannot be read"),
    ({"user": "table", "password_file": "empty"}, "empty"),
    ({"user": "table", "password_env": "NOBODY_SET_THIS"}, "not set"),
    ({"tls": TlsEntry(ca="missing.pem")}, "no usable certificate"),
    ({"tls": TlsEntry(ca="empty")}, "no usable certificate"),
])  # fmt: skip
def test_a_secret_that_cannot_be_read_is_one_clear_error(
    book: Phrasebook, tmp_path: Path, more: dict[str, Any], what: str
) -> None:
    (tmp_path / "empty").write_text("")

    async def scene() -> None:
        async with SoundlessTable(book) as table:
            link = MqttLink(MqttEntry(**more), "bench", tmp_path, table)
            with pytest.raises(FileRefused, match=what):
                await link.__aenter__()

    run(scene())


def test_a_password_that_others_may_read_is_pointed_out(
    book: Phrasebook, tmp_path: Path, broker: Broker
) -> None:
    (tmp_path / "word").write_text("lantern oil")
    (tmp_path / "word").chmod(0o644)

    async def scene() -> None:
        settings = entry(broker, user="table", password_file="word")
        async with linked(book, settings, folder=tmp_path) as (table, _):
            assert table.problems == ["others may read the password."]

    run(scene())


def test_the_example_of_a_cell_may_leave_this_computer() -> None:
    mqtt = load_cell(EXAMPLES / "cell.yaml").links.mqtt
    assert mqtt is not None
    assert not is_loopback(mqtt.host)
