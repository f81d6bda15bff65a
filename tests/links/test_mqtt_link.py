"""The link over MQTT 5 at a real broker: taken once, answered once, whatever breaks between."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tablevoice.links.messages import (
    ButtonPressed,
    EventReported,
    GuardReported,
    HoldRequest,
    json_schema,
)
from tablevoice.links.mqtt_link import MqttLink
from tablevoice.model import Phrasebook
from tests.links.broker import Broker, Peer
from tests.links.mqtt_scene import BASE, EXAMPLES, entry, linked, run, until
from tests.soundless import SoundlessTable

# --- in and out -----------------------------------------------------------------


def test_an_event_is_said_and_answered_and_all_messages_fit_the_schema(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, _), Peer(broker, BASE) as peer:
            ready = await peer.status("ready")
            assert "lit" in ready["events"]
            await peer.event("e1", "lit")
            assert (await peer.outcome("e1"))["said"] == "said"
            await peer.event("q1", "asked")
            await peer.wait_for(lambda _, row: row["type"] == "said" and row["id"] == "q1")
            await peer.send({"type": "button", "button": "teal"})
            assert (await peer.outcome("q1"))["value"] == "teal"
            await peer.event("e2", "lti")
            assert "'lit'" in (await peer.outcome("e2"))["do"]
            assert table.sounded == ["mqtt/e1", "mqtt/q1"]
            schema = Draft202012Validator(json_schema())
            for below, row, message in peer.seen:
                if not below.startswith("in/"):
                    assert schema.is_valid(row)
                    assert message.qos == 1

    run(scene())


def test_the_example_of_a_peer_gets_its_answer(book: Phrasebook, broker: Broker) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)):
            peer = await asyncio.create_subprocess_exec(
                sys.executable, str(EXAMPLES / "peer.py"), BASE, str(broker.port),
                stdout=asyncio.subprocess.PIPE,
            )  # fmt: skip
            out, _ = await asyncio.wait_for(peer.communicate(), 60)
            assert out.decode().split() == ["done", "said"]

    run(scene())


def test_garbage_is_answered_by_one_error_and_the_link_goes_on(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as _, Peer(broker, BASE, listen=("out/#",)) as peer:
            for payload in (b"", b"\xff", b"[]", b"{" * 5000, b"x" * 70_000, b'{"v":9}'):
                await peer.send(payload, to="event")
            await peer.send(b'{"v":1,"type":"hold_cleared"}', to="event")
            await peer.send(b'{"v":1,"type":"ping","id":"p"}', to="event")
            await peer.event("e1", "lit", None)
            await peer.outcome("e1")
            errors = [row for below, row, _ in peer.seen if below == "out/error"]
            assert len(errors) == 8
            assert all(row["do"] for row in errors)
            assert "does not belong here" in errors[6]["what"]

    run(scene())


def test_a_peer_gets_its_answer_on_its_own_topic_with_its_own_mark(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as _, Peer(broker, BASE) as peer:
            await peer.event("e1", "lit", ResponseTopic=f"{BASE}/reply/cell7",
                             CorrelationData=b"\x00\x01")
            await peer.send({"type": "ping", "id": "p1"}, ResponseTopic=f"{BASE}/reply/cell7",
                            CorrelationData=b"p")
            row = await peer.wait_for(lambda below, r: below == "reply/cell7" and "said" in r)
            assert (row["type"], row["id"]) == ("done", "e1")
            marks = {r["type"]: m.properties.CorrelationData  # type: ignore[union-attr]
                     for below, r, m in peer.seen if below == "reply/cell7"}
            assert marks == {"done": b"\x00\x01", "pong": b"p"}
            assert await peer.outcome("e1") == row, "whoever watches sees it too"

    run(scene())


@pytest.mark.parametrize("topic", ["elsewhere/in/hold_cleared", f"{BASE}/in/close",
                                   f"{BASE}/reply/"])
def test_the_table_writes_nowhere_else_for_a_peer(
    book: Phrasebook, broker: Broker, topic: str
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, _), Peer(broker, BASE) as peer:
            await peer.event("e1", "lit", ResponseTopic=topic)
            assert "answers are not sent to" in (await peer.outcome("e1"))["what"]
            assert table.sounded == []

    run(scene())


def test_what_others_asked_is_told_beside_and_never_as_an_answer(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, _), Peer(broker, BASE) as peer:
            table.receive(EventReported(id="7", event="lit"))
            await peer.wait_for(lambda below, row: below == "others/done" and row["id"] == "7")
            assert peer.outcomes("7") == []

    run(scene())


# --- twice, late ----------------------------------------------------------------


def test_a_duplicate_is_said_once_and_told_again(book: Phrasebook, broker: Broker) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, _), Peer(broker, BASE) as peer:
            for _ in range(3):
                await peer.event("e1", "lit")
            done = await peer.outcome("e1")
            await peer.event("e1", "lit")
            await peer.event("e1", "hello")
            refused = await peer.wait_for(lambda _, row: row["type"] == "error")
            assert "other contents" in refused["what"]
            assert table.sounded == ["mqtt/e1"]
            told = [row for row in peer.outcomes("e1") if row["type"] == "done"]
            assert len(told) >= 2
            assert all(row == done for row in told)

    run(scene())


def test_a_retained_event_is_refused_and_never_comes_again(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with Peer(broker, BASE) as peer:
            await peer.event("early", "lit", retain=True)
            async with linked(book, entry(broker)) as (table, _):
                await peer.event("e1", "lit")
                await peer.outcome("e1")
                assert table.sounded == ["mqtt/e1"]

    run(scene())


def test_events_sent_while_the_table_was_away_come_and_the_stale_ones_are_refused(
    book: Phrasebook, broker: Broker, tmp_path: Path
) -> None:
    async def scene() -> None:
        settings, history = entry(broker), tmp_path / "history.sqlite"
        async with Peer(broker, BASE) as peer:
            async with linked(book, settings, history=history):
                await peer.event("e1", "lit")
                await peer.outcome("e1")
            await peer.status("closed", "asked")
            now = datetime.now(timezone.utc)
            await peer.event("old", "lit", (now - timedelta(seconds=60)).isoformat())
            await peer.event("new", "lit", now.isoformat())
            await peer.event("gone", "lit", MessageExpiryInterval=1)
            await peer.send({"type": "button", "button": "teal"})
            await peer.send({"type": "hold_cleared"})
            await peer.send({"type": "close"})
            await asyncio.sleep(2.2)  # so long that the broker lets go of what expired
            async with linked(book, settings, history=history) as (table, _):
                assert (await peer.outcome("new"))["said"] == "said"
                assert "s too late: it was sent 6" in (await peer.outcome("old"))["what"]
                await peer.event("e1", "lit")  # over before the restart: told, not said
                await peer.event("last", "lit")
                await peer.outcome("last")
                assert table.sounded == ["mqtt/new", "mqtt/last"]
                assert len(peer.outcomes("e1")) == 2
                # A press, a reset and a close that were meant for then are not obeyed now.
                assert not table.closed.is_set()
                assert {row.type for row in table.received} == {"event"}
            assert peer.outcomes("gone") == []

    run(scene())


def test_an_expiry_that_runs_out_in_the_queue_lets_the_line_go(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker), line_s=1.5) as _, Peer(broker, BASE) as peer:
            await peer.event("e1", "lit")
            await peer.event("e2", "lit", MessageExpiryInterval=1)
            assert (await peer.outcome("e2"))["said"] == "expired"

    run(scene())


# --- what breaks ----------------------------------------------------------------


def test_a_broker_that_restarts_in_mid_question_loses_no_answer(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, link):
            async with Peer(broker, BASE, identifier="cell7") as peer:
                await peer.event("q1", "asked")
                await peer.wait_for(lambda _, row: row["type"] == "said")
            assert link.why_down == ""
            broker.stop()
            await until(lambda: not link.connected.is_set())
            await until(lambda: str(broker.port) in link.why_down)  # what health tells of it
            table.receive(ButtonPressed(button="violet"))
            table.audience(HoldRequest(at_s=1.0, kind="pause", phrase="pause", certainty=0.9))
            broker.start()
            async with Peer(broker, BASE, identifier="cell7") as peer:
                assert (await peer.outcome("q1", 40))["value"] == "violet"
                await peer.wait_for(lambda _, row: row["type"] == "hold_request")
                await peer.status("ready")
                assert len(peer.outcomes("q1")) == 1
            assert (link.name, link.why_down) == ("mqtt", "")
            lost = [what for what in table.problems if "not to be had" in what]
            assert len(lost) == len(set(lost)) > 0

    run(scene())


def test_a_network_that_parts_in_the_middle_loses_nothing_and_says_nothing_twice(
    book: Phrasebook, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tablevoice.links.mqtt_connection.ANSWER_WITHIN_S", 1.0)

    async def scene() -> None:
        async with linked(book, entry(broker), line_s=0.3) as (table, link), Peer(
            broker, BASE
        ) as peer:
            await peer.event("e1", "lit")
            while not table.sounded:
                await asyncio.sleep(0.005)
            broker.freeze()
            try:
                await asyncio.wait_for(until(lambda: not link.connected.is_set()), 20)
            finally:
                broker.thaw()
            assert (await peer.outcome("e1", 40))["said"] == "said"
            await asyncio.wait_for(link.connected.wait(), 40)
            await peer.event("e1", "lit")
            await peer.event("e2", "lit")
            await peer.outcome("e2")
            assert table.sounded == ["mqtt/e1", "mqtt/e2"]
            # At least once on the way out: a copy is the same, word for word.
            assert len({json.dumps(row) for row in peer.outcomes("e1")}) == 1

    run(scene())


def test_a_table_opens_and_closes_without_its_broker(book: Phrasebook, broker: Broker) -> None:
    broker.stop()

    async def scene() -> None:
        async with linked(book, entry(broker), wait=False) as (table, _):
            await until(lambda: len(table.problems) > 0)
            (problem,) = table.problems
            assert str(broker.port) in problem

    run(scene())
    broker.start()


def test_a_broker_frozen_from_the_start_is_reported_and_left_alone(
    book: Phrasebook, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tablevoice.links.mqtt_connection.ANSWER_WITHIN_S", 0.5)
    broker.freeze()

    async def scene() -> None:
        async with linked(book, entry(broker), wait=False) as (table, _):
            await until(lambda: len(table.problems) > 0)
            assert "timed out" in table.problems[0]

    run(scene())


def test_events_that_were_not_written_down_come_again(book: Phrasebook, broker: Broker) -> None:
    """The computer dies between taking an event and writing it down: the broker still has it."""

    async def scene() -> None:
        settings = entry(broker, receive_maximum=2)
        async with Peer(broker, BASE) as peer:
            async with SoundlessTable(book) as table:
                table.when_written = lambda then: None  # type: ignore[method-assign]
                async with MqttLink(settings, "bench", Path(), table) as link:
                    await asyncio.wait_for(link.connected.wait(), 20)
                    for number in range(5):
                        await peer.event(f"e{number}", "lit")
                    await until(lambda: len(table.sounded) == 2)
                    # No more than the receive maximum is ever on its way: a ping, which needs
                    # no acknowledgement, overtakes the third.
                    table.audience.join(link.told)
                    await peer.send({"type": "ping", "id": "p"})
                    await peer.wait_for(lambda _, row: row["type"] == "pong")
                    assert [row.type for row in table.received] == ["event", "event", "ping"]
            async with linked(book, settings) as (again, _):
                for number in range(5):
                    await peer.outcome(f"e{number}")
                assert sorted(again.sounded) == [f"mqtt/e{number}" for number in range(5)]

    run(scene())


# --- what stands ----------------------------------------------------------------


def test_how_things_stand_is_retained_for_whoever_comes_late(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (table, link):
            table.audience(GuardReported(at_s=1.0, state="held", permit=False, proven=True,
                                         armed=False))
            link.publish_health('"all well"')
            async with Peer(broker, BASE) as peer:
                await peer.status("ready")
                await peer.wait_for(lambda below, row: below == "guard" and row["state"] == "held")
                await peer.wait_for(lambda below, row: row.get("health") == "all well")
                assert all(message.retain for _, _, message in peer.seen)
        async with Peer(broker, BASE) as peer:
            await peer.status("closed", "asked")

    run(scene())


def test_closing_answers_what_is_open_before_it_says_so(book: Phrasebook, broker: Broker) -> None:
    async def scene() -> None:
        async with Peer(broker, BASE) as peer:
            async with linked(book, entry(broker)):
                await peer.event("q1", "asked")
                await peer.wait_for(lambda _, row: row["type"] == "said")
            await peer.status("closed", "asked")
            tail = [(below, row.get("how")) for below, row, _ in peer.seen][-2:]
            assert tail == [("out/answer", "withdrawn"), ("status", None)]

    run(scene())


def test_a_broker_killed_and_back_still_knows_that_the_table_is_there(
    book: Phrasebook, broker: Broker
) -> None:
    async def scene() -> None:
        async with linked(book, entry(broker)) as (_, link):
            broker.stop(signal.SIGKILL)
            await until(lambda: not link.connected.is_set())
            broker.start()
            await asyncio.wait_for(link.connected.wait(), 40)
            async with Peer(broker, BASE) as peer:
                await peer.status("ready")

    run(scene())
