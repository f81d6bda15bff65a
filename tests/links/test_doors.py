"""What may come in by whose door, and that ids find their way back."""

from __future__ import annotations

import pytest

from tablevoice.errors import MessageRefused
from tablevoice.links.doors import Door
from tablevoice.links.messages import (
    ButtonPressed,
    Close,
    Correct,
    Done,
    EventReported,
    HoldClearedReported,
    Inbound,
    Ping,
)
from tablevoice.links.rights import EVERYDAY_RIGHTS

EVENT = EventReported(id="7", event="turn")


def test_an_id_goes_in_with_its_door_and_comes_out_without() -> None:
    door = Door("mqtt", EVERYDAY_RIGHTS)
    inside = door.inward(EVENT)
    assert isinstance(inside, EventReported)
    assert (inside.id, inside.event) == ("mqtt/7", "turn")
    done = Done(at_s=1.0, id="mqtt/7", said="said")
    assert door.owns(done)
    assert door.outward(done) == Done(at_s=1.0, id="7", said="said")


def test_what_others_sent_is_told_with_its_whole_id() -> None:
    door = Door("mqtt", EVERYDAY_RIGHTS)
    for foreign in ("7", "modbus/7", "mqttx/7"):
        done = Done(at_s=1.0, id=foreign, said="said")
        assert not door.owns(done)
        assert door.outward(done) == done


@pytest.mark.parametrize(
    "message",
    [HoldClearedReported(id="h"), Close(id="c"), Correct(utterance="1-1", id="k")],
    ids=lambda m: m.type,
)
def test_whoever_may_send_events_may_not_send_more(message: Inbound) -> None:
    door = Door("modbus", EVERYDAY_RIGHTS)
    with pytest.raises(MessageRefused, match=f"type '{message.type}'") as refused:
        door.inward(message)
    assert "may:" in refused.value.problem.do
    # The peer is told with the id that it gave.
    back = door.refused(refused.value)
    assert back.message_id == f"modbus/{getattr(message, 'id', None)}"


def test_a_right_that_is_named_is_there() -> None:
    door = Door("panel", frozenset({"hold_cleared"}))
    assert isinstance(door.inward(HoldClearedReported()), HoldClearedReported)
    assert isinstance(door.inward(Ping(id="p")), Ping)
    with pytest.raises(MessageRefused):
        door.inward(EVENT)
    with pytest.raises(MessageRefused):
        door.inward(ButtonPressed(button="violet"))
