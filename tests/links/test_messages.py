"""The messages and their published schema agree."""

from __future__ import annotations

import json
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import ValidationError

from tablevoice.links.json_lines import encode
from tablevoice.links.messages import (
    INBOUND_TYPES,
    OUTBOUND_TYPES,
    AnswerGiven,
    ButtonPressed,
    Close,
    Closed,
    Correct,
    Corrected,
    Done,
    ErrorReported,
    EventReported,
    GuardReported,
    HeardReported,
    HoldClearedReported,
    HoldRequest,
    Inbound,
    Outbound,
    PhrasebookChanged,
    Ping,
    Pong,
    Ready,
    Said,
    json_schema,
)

INBOUND: tuple[Inbound, ...] = (
    EventReported(id="e17", event="turn", slots={"arm": "Alder", "lights": 4}),
    EventReported(id="e18", event="greeting"),
    ButtonPressed(button="amber"),
    ButtonPressed(button="amber", id="b1"),
    HoldClearedReported(),
    HoldClearedReported(by="reset key", id="h1"),
    Correct(utterance="12-3", said="amber", id="c1"),
    Correct(utterance="12-3", nothing=True),
    Correct(utterance="12-3"),
    Ping(id="p1"),
    Close(),
)
OUTBOUND: tuple[Outbound, ...] = (
    Ready(at_s=0.0, table="lantern table", version="0.1", events=("turn", "win")),
    Said(at_s=1.0, id="e17", event="turn", voice="Alder", text="Grün – 緑", said="said"),
    AnswerGiven(
        at_s=2.0, id="e3", question="colour", value="amber", how="voice", certainty=0.8, tries=1
    ),
    AnswerGiven(
        at_s=2.0, id="e3", question="colour", value=None, how="nobody", certainty=0.0, tries=3
    ),
    Done(at_s=3.0, id="e17", said="expired"),
    HeardReported(
        at_s=4.0, text="amber", meaning="amber", certainty=0.8, verdict="act", start_s=3, end_s=3.6
    ),
    HeardReported(
        at_s=4.0, text="", meaning="pause", certainty=0.5, verdict="act", start_s=3, end_s=3.6,
        utterance="12-3", probabilities={"pause": 0.5, "amber": 0.2}, reason="A hold.",
        on_less_evidence=True,
    ),
    Corrected(at_s=4.5, utterance="12-3", learns=True, id="c1"),
    Corrected(at_s=4.5, utterance="12-3", learns=False, why_not="Its sound was not kept."),
    HoldRequest(at_s=5.0, kind="stop", phrase="stop", certainty=0.9),
    GuardReported(
        at_s=5.1, state="tripped", permit=False, proven=True, armed=False,
        why="Stopped. Reset at the machine.", causes=("table_stop",),
    ),
    ErrorReported(at_s=6.0, what="no such event", where="line 3", do="Check it.", id="e9"),
    ErrorReported(at_s=6.0, what="no microphone"),
    Pong(at_s=7.0, id="p1"),
    PhrasebookChanged(at_s=8.0, title="Lanterns", events=("lit",)),
    Closed(at_s=8.0),
)


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return json_schema()


def valid(schema: dict[str, Any], direction: str, message: object) -> bool:
    chosen = {"$ref": f"#/$defs/{direction}", "$defs": schema["$defs"]}
    return Draft202012Validator(chosen).is_valid(message)


def test_the_schema_is_a_schema_and_can_be_written_as_json(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(json.loads(json.dumps(schema)))


def test_every_message_has_an_example_that_fits_its_own_schema(schema: dict[str, Any]) -> None:
    for direction, types in (("Inbound", INBOUND_TYPES), ("Outbound", OUTBOUND_TYPES)):
        for kind, message in types.items():
            examples = schema["$defs"][message.__name__]["examples"]
            assert examples
            for example in examples:
                assert example["type"] == kind
                assert valid(schema, direction, example)
                assert message.model_validate_json(json.dumps(example)).type == kind


@pytest.mark.parametrize(("sent", "fits"), [
    ("2031-04-05T16:20:00Z", True), ("2031-04-05t16:20:00.123456789z", True),
    ("2031-04-05T16:20:00+09:00", True), ("2031-04-05 16:20:00Z", False),
    ("2031-04-05T16:20:00", False), ("2031-04-05", False), ("", False), ("now", False),
    ("٢٠٣١-04-05T16:20:00Z", False),
])  # fmt: skip
def test_when_an_event_was_sent_is_by_rfc_3339(
    schema: dict[str, Any], sent: str, fits: bool
) -> None:
    line = {"v": 1, "type": "event", "id": "x", "event": "turn", "sent_utc": sent}
    assert valid(schema, "Inbound", line) == fits
    if fits:
        assert EventReported.model_validate(line).sent_utc == sent
    else:
        with pytest.raises(ValidationError):
            EventReported.model_validate(line)


@pytest.mark.parametrize("sent", ["2031-02-30T16:20:00Z", "2031-04-05T24:20:00Z",
                                  "0001-01-01T00:00:00+10:00"])
def test_a_time_that_never_is_cannot_be_when_it_was_sent(sent: str) -> None:
    with pytest.raises(ValidationError, match="no such time"):
        EventReported(id="x", event="turn", sent_utc=sent)
    with pytest.raises(ValidationError):
        EventReported(id="x", event="turn", sent_utc="2031-04-05T16:20:00Z\n")


def test_the_samples_cover_every_type() -> None:
    assert {message.type for message in INBOUND} == set(INBOUND_TYPES)
    assert {message.type for message in OUTBOUND} == set(OUTBOUND_TYPES)


@pytest.mark.parametrize("message", INBOUND, ids=lambda m: m.type)
def test_inbound_messages_fit_the_schema(schema: dict[str, Any], message: Inbound) -> None:
    assert valid(schema, "Inbound", json.loads(encode(message)))
    assert not valid(schema, "Outbound", json.loads(encode(message)))


@pytest.mark.parametrize("message", OUTBOUND, ids=lambda m: m.type)
def test_outbound_messages_fit_the_schema(schema: dict[str, Any], message: Outbound) -> None:
    line = json.loads(encode(message))
    assert valid(schema, "Outbound", line)
    assert not valid(schema, "Inbound", line)
    assert Draft202012Validator(schema).is_valid(line)
    assert list(line)[:3] == ["v", "type", "at_s"]


@pytest.mark.parametrize(
    "line",
    [
        {"type": "ping", "id": "x"},
        {"v": 2, "type": "ping", "id": "x"},
        {"v": 1, "id": "x"},
        {"v": 1, "type": "ping"},
        {"v": 1, "type": "ping", "id": ""},
        {"v": 1, "type": "ping", "id": "x", "extra": 1},
        {"v": 1, "type": "event", "id": "x", "event": "turn", "slots": {"lights": 1.5}},
        {"v": 1, "type": "event", "id": "x", "event": "turn", "slots": {"lights": None}},
        {"v": 1, "type": "event", "id": "x", "event": "turn", "slots": {"note": "x" * 401}},
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(
    schema: dict[str, Any], line: dict[str, object]
) -> None:
    assert not valid(schema, "Inbound", line)


def test_the_schema_says_what_may_clear_a_hold(schema: dict[str, Any]) -> None:
    text = schema["$defs"]["HoldClearedReported"]["description"]
    assert "physical reset" in text
    assert "nothing spoken can produce it" in text


def test_a_hold_request_carries_its_caution() -> None:
    line = json.loads(encode(HoldRequest(at_s=5.0, kind="stop", phrase="stop", certainty=0.9)))
    assert "not a safety function" in line["caution"]


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -0.1, 1.1])
def test_a_certainty_that_is_none_cannot_be_sent(bad: float) -> None:
    with pytest.raises(ValidationError):
        HoldRequest(at_s=5.0, kind="stop", phrase="stop", certainty=bad)


def test_a_time_that_is_no_number_cannot_be_sent() -> None:
    with pytest.raises(ValidationError):
        Pong(at_s=float("nan"), id="p1")
