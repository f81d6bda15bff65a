"""Which message travels where; what may wait for a broker, and what gives way."""

from __future__ import annotations

import itertools
import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablevoice.errors import MessageRefused
from tablevoice.links import messages
from tablevoice.links.backoff import FIRST_S, LONGEST_S, waits_s
from tablevoice.links.doors import Door
from tablevoice.links.json_lines import encode
from tablevoice.links.mqtt_outbox import Outbox
from tablevoice.links.mqtt_topics import DOOR, Packet, Route, Topics
from tests.links.test_messages import INBOUND, OUTBOUND

TOPICS = Topics("tablevoice/bench")
MQTT = Door(DOOR)


# --- topics ---------------------------------------------------------------------


@pytest.mark.parametrize("message", INBOUND, ids=lambda m: m.type)
def test_each_message_is_read_on_the_topic_of_its_type_and_on_no_other(
    message: messages.Inbound,
) -> None:
    for topic in TOPICS.inbound:
        if topic == f"tablevoice/bench/in/{message.type}":
            assert TOPICS.read(topic, encode(message)) == message
        else:
            with pytest.raises(MessageRefused, match="does not belong here"):
                TOPICS.read(topic, encode(message))


def test_only_events_and_corrections_are_kept_while_the_table_is_away() -> None:
    kept = [topic.rpartition("/")[2] for topic, qos in TOPICS.inbound.items() if qos]
    assert kept == ["event", "correct"]
    assert len(TOPICS.inbound) == len(messages.INBOUND_TYPES)


def test_a_retained_message_is_refused_with_its_id() -> None:
    line = encode(messages.EventReported(id="e1", event="lit"))
    with pytest.raises(MessageRefused, match="retained") as refused:
        TOPICS.read("tablevoice/bench/in/event", line, retained=True)
    assert refused.value.message_id == "e1"


@given(st.binary(max_size=300))
def test_any_bytes_are_a_message_or_one_refusal(payload: bytes) -> None:
    with pytest.raises(MessageRefused) as refused:
        TOPICS.read("tablevoice/bench/in/event", payload)
    assert refused.value.problem.where.startswith("tablevoice/bench/in/event")


@pytest.mark.parametrize("message", OUTBOUND, ids=lambda m: m.type)
def test_what_is_told_travels_by_its_type_as_the_json_line_without_its_end(
    message: messages.Outbound,
) -> None:
    (packet,) = TOPICS.packets(message, MQTT, None)
    assert packet.payload + b"\n" == encode(message)
    side = "others" if getattr(message, "id", None) else "out"
    assert packet.topic == f"tablevoice/bench/{side}/{message.type}"


def test_an_answer_to_a_peer_is_kept_and_goes_where_it_wanted_too() -> None:
    done = messages.Done(at_s=1.0, id="mqtt/7", said="said")
    route = Route("tablevoice/bench/reply/cell7", b"\x07")
    seen, answer = TOPICS.packets(done, MQTT, route)
    assert json.loads(seen.payload)["id"] == "7"
    assert (seen.topic, seen.kept) == ("tablevoice/bench/out/done", True)
    assert (answer.topic, answer.correlation, answer.kept) == (route.topic, b"\x07", True)
    assert answer.payload == seen.payload


def test_what_is_said_and_heard_may_be_given_up() -> None:
    said = messages.Said(at_s=1.0, id="mqtt/7", event="lit", voice="Alder", text="It is lit.",
                         said="said")  # fmt: skip
    assert not TOPICS.packets(said, MQTT, None)[0].kept
    foreign = messages.Done(at_s=1.0, id="7", said="said")
    assert not TOPICS.packets(foreign, MQTT, None)[0].kept
    hold = messages.HoldRequest(at_s=1.0, kind="stop", phrase="stop", certainty=0.9)
    assert TOPICS.packets(hold, MQTT, None)[0].kept


@pytest.mark.parametrize(("wanted", "fits"), [
    (None, True), ("tablevoice/bench/reply/a", True), ("tablevoice/bench/reply/a/b", True),
    ("tablevoice/bench/reply/", False), ("tablevoice/bench/reply/+", False),
    ("tablevoice/bench/in/close", False), ("tablevoice/benchmark/reply/a", False),
    ("tablevoice/other/reply/a", False), ("", False), ("#", False),
])  # fmt: skip
def test_answers_go_below_the_tables_own_base_alone(wanted: str | None, fits: bool) -> None:
    if fits:
        route = TOPICS.route(wanted, b"c")
        assert (route and route.topic) == wanted
    else:
        with pytest.raises(MessageRefused, match="answers are not sent to"):
            TOPICS.route(wanted, b"c")


# --- what waits -----------------------------------------------------------------


def drained(outbox: Outbox) -> list[Packet]:
    packets = []
    while (packet := outbox.next()) is not None:
        packets.append(packet)
        outbox.sent(packet)
    return packets


@given(st.lists(st.booleans(), max_size=80), st.integers(1, 10))
def test_what_is_kept_is_never_given_up_and_order_stays(kinds: list[bool], most: int) -> None:
    outbox = Outbox(most)
    put = [Packet("t", str(number).encode(), kept=kept) for number, kept in enumerate(kinds)]
    for packet in put:
        outbox.put(packet)
    out = drained(outbox)
    assert [packet for packet in out if packet.kept] == [packet for packet in put if packet.kept]
    droppable = [packet for packet in put if not packet.kept]
    assert [packet for packet in out if not packet.kept] == droppable[-most:]
    assert out == sorted(out, key=lambda packet: int(packet.payload))
    assert outbox.given_up == max(0, len(droppable) - most)


def test_what_was_on_its_way_when_the_broker_was_lost_goes_first_again_in_order() -> None:
    outbox = Outbox()
    for number in range(5):
        outbox.put(Packet("t", str(number).encode()))
    first, second, _ = outbox.next(), outbox.next(), outbox.next()
    assert first is not None
    assert second is not None
    outbox.sent(second)
    assert len(outbox) == 4
    outbox.connected()
    assert [packet.payload for packet in drained(outbox)] == [b"0", b"2", b"3", b"4"]
    assert len(outbox) == 0


def test_what_is_on_its_way_is_given_up_by_nobody() -> None:
    outbox = Outbox(1)
    outbox.put(Packet("t", b"1"))
    assert outbox.next() == Packet("t", b"1")
    outbox.put(Packet("t", b"2"))
    outbox.put(Packet("t", b"3"))
    outbox.connected()
    assert [packet.payload for packet in drained(outbox)] == [b"1", b"3"]
    assert outbox.given_up == 1


def test_of_what_stands_the_newest_counts_and_is_told_again_after_a_loss() -> None:
    outbox = Outbox()
    for state in (b"starting", b"permitted", b"held"):
        outbox.put(Packet("guard", state, retain=True))
    outbox.put(Packet("out/done", b"done"))
    assert [packet.payload for packet in drained(outbox)] == [b"held", b"done"]
    outbox.connected()
    assert [packet.payload for packet in drained(outbox)] == [b"held"]


def test_what_stands_and_changes_while_it_is_sent_is_sent_again() -> None:
    outbox = Outbox()
    outbox.put(Packet("guard", b"permitted", retain=True))
    on_its_way = outbox.next()
    assert on_its_way is not None
    outbox.put(Packet("guard", b"held", retain=True))
    outbox.sent(on_its_way)
    assert [packet.payload for packet in drained(outbox)] == [b"held"]


# --- trying again ---------------------------------------------------------------


@given(st.integers())
def test_waits_grow_up_to_their_bound_and_are_never_in_step(seed: int) -> None:
    waits = list(itertools.islice(waits_s(random.Random(seed)), 60))
    for number, wait_s in enumerate(waits):
        whole_s = min(LONGEST_S, FIRST_S * 2.0**number)
        assert whole_s / 2 <= wait_s <= whole_s
    other = list(itertools.islice(waits_s(random.Random(seed + 1)), 60))
    assert waits != other
