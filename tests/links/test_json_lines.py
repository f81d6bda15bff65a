"""Bytes to messages: what is refused and how, and that nothing else ever happens."""

from __future__ import annotations

import json
import tracemalloc
from dataclasses import dataclass
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.errors import MessageRefused
from tablevoice.links.json_lines import (
    MessageReader,
    encode,
    error_of,
    read_message,
)
from tablevoice.links.lines import LONGEST_LINE_BYTES, LineReader
from tablevoice.links.messages import (
    WHOLE_NUMBER_LIMIT,
    ButtonPressed,
    Close,
    EventReported,
    HoldClearedReported,
    Inbound,
    Ping,
    Pong,
    Said,
)
from tablevoice.links.strict_json import DEEPEST_NESTING
from tests.links.test_messages import INBOUND

EVENTS = ("turn", "colour_asked", "win")
GOOD = b'{"v":1,"type":"event","id":"e17","event":"turn","slots":{"arm":"Alder","lights":4}}'
INBOUND_CLASSES = get_args(Inbound)


def refusal(line: bytes) -> MessageRefused:
    with pytest.raises(MessageRefused) as refused:
        read_message(line, events=EVENTS)
    return refused.value


# --- what is taken --------------------------------------------------------------


@pytest.mark.parametrize("message", INBOUND, ids=lambda m: m.type)
def test_every_inbound_message_comes_back_as_it_was_sent(message: Inbound) -> None:
    assert read_message(encode(message)) == message


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (GOOD, EventReported(id="e17", event="turn", slots={"arm": "Alder", "lights": 4})),
        (b'{"v":1,"type":"button","button":"amber"}\r\n', ButtonPressed(button="amber")),
        (b'\xef\xbb\xbf{"v":1,"type":"close"}', Close()),
        (b' { "type" : "hold_cleared" , "v" : 1 } ', HoldClearedReported()),
        ('{"v":1,"type":"ping","id":"größe 灯"}'.encode(), Ping(id="größe 灯")),
        (rb'{"v":1,"type":"ping","id":"\ud83c\udfee"}', Ping(id="🏮")),
    ],
)
def test_documented_lines_are_taken(line: bytes, message: Inbound) -> None:
    assert read_message(line, events=EVENTS) == message


# --- what is refused ------------------------------------------------------------


@dataclass(frozen=True)
class Bad:
    line: bytes
    what: str
    where: str = ""
    do: str = ""
    id: str | None = None


def event(rest: str) -> bytes:
    return f'{{"v":1,"type":"event","id":"e1",{rest}}}'.encode()


BAD = {
    "empty": Bad(b"", "not JSON", "column 1"),
    "no JSON": Bad(b"turn", "not JSON", "column 1"),
    "cut off": Bad(GOOD[:-1], "not JSON", f"column {len(GOOD)}"),
    "two objects": Bad(GOOD + GOOD, "not JSON: extra data", f"column {len(GOOD) + 1}"),
    "a list": Bad(b"[1]", "not a JSON object"),
    "not UTF-8": Bad(b'{"v":1,"type":"p\xffng"}', "not UTF-8 at byte 17"),
    "UTF-16": Bad('{"v":1}'.encode("utf-16"), "not UTF-8 at byte 1"),
    "encoded surrogate": Bad(b'{"v":1,"type":"ping","id":"\xed\xa0\x80"}', "not UTF-8"),
    "half a pair": Bad(rb'{"v":1,"type":"ping","id":"\ud83c"}', "half a surrogate pair"),
    "NUL byte": Bad(b'{"v":1,"type":"ping","id":"\x00"}', "not JSON: invalid control character"),
    "escaped NUL": Bad(rb'{"v":1,"type":"ping","id":"a\u0000"}', "control character"),
    "delete": Bad(b'{"v":1,"type":"ping","id":"a\x7f"}', "control character"),
    "in a name": Bad(event(r'"event":"turn","slots":{"a\u0007":1}'), "control character"),
    "NaN": Bad(b'{"v":NaN}', "NaN is not JSON"),
    "infinite": Bad(b'{"v":-Infinity}', "-Infinity is not JSON"),
    "too big a real": Bad(b'{"v":1e999}', "1e999 is out of range"),
    "too big": Bad(event(f'"event":"turn","slots":{{"n":{WHOLE_NUMBER_LIMIT + 1}}}'), "range"),
    "digits": Bad(b'{"v":' + b"9" * 60_000 + b"}", "is out of range"),
    "twice": Bad(b'{"v":1,"v":1,"type":"close"}', "'v' comes twice"),
    "twice inside": Bad(event('"event":"turn","slots":{"n":1,"n":2}'), "'n' comes twice"),
    "deep": Bad(b"[" * 60_000, f"nested more than {DEEPEST_NESTING} deep", "column 9"),
    "deep objects": Bad(b'{"a":' * 10_000, "nested more than"),
    "deep in slots": Bad(event('"event":"turn","slots":' + "[" * 9), "nested more than"),
    "open string": Bad(b'"' + b'\\"' * 30_000, "not JSON: unterminated string"),
    "no version": Bad(b'{"type":"ping","id":"x"}', "version is missing", "'v'", '"v": 1', "x"),
    "other version": Bad(b'{"v":2,"type":"ping","id":"x"}', "version is 2", "'v'", id="x"),
    "version true": Bad(b'{"v":true,"type":"close"}', "version is True", "'v'"),
    "no type": Bad(b'{"v":1,"id":"x"}', "type is missing", "'type'", "close, correct, event", "x"),
    "type no text": Bad(b'{"v":1,"type":["event"]}', "not a text", "'type'"),
    "near type": Bad(b'{"v":1,"type":"evnt"}', "no such message type", "'type'", "'event'"),
    "outbound": Bad(b'{"v":1,"type":"hold_request"}', "no such message type: 'hold_request'"),
    "near event": Bad(event('"event":"trun"'), "no such event: 'trun'", "'event'", "'turn'", "e1"),
    "far event": Bad(event('"event":"qqqqq"'), "no such event", "'event'", "colour_asked", "e1"),
    "no event": Bad(event('"slots":{}'), "missing", "'event'", "Add it", "e1"),
    "near field": Bad(event('"event":"turn","slot":{}'), "no field 'slot'", "", "'slots'", "e1"),
    "far field": Bad(event('"event":"turn","qq":{}'), "no field 'qq'", "'qq'", "Leave it", "e1"),
    "event number": Bad(event('"event":5'), "5 does not fit", "'event'", "quotes", "e1"),
    "id number": Bad(b'{"v":1,"type":"ping","id":5}', "5 does not fit", "'id'", "quotes"),
    "id long": Bad(b'{"v":1,"type":"ping","id":"%s"}' % (b"x" * 129), "fit", "'id'", "128"),
    "id empty": Bad(b'{"v":1,"type":"ping","id":""}', "does not fit", "'id'", "1 to 128"),
    "slots list": Bad(event('"event":"turn","slots":[]'), "[] does not", "'slots'", "object"),
    "slot true": Bad(event('"event":"turn","slots":{"n":true}'), "True is not", "slot 'n'"),
    "slot real": Bad(event('"event":"turn","slots":{"n":1.5}'), "1.5 is not", "slot 'n'"),
    "slot null": Bad(event('"event":"turn","slots":{"n":null}'), "None is not", "slot 'n'"),
    "slot list": Bad(event('"event":"turn","slots":{"n":[1]}'), "[1] is not", "slot 'n'"),
    "slot name": Bad(event('"event":"turn","slots":{"":1}'), "name is empty", "slot ''", "128"),
    "slot long": Bad(
        event(f'"event":"turn","slots":{{"n":"{"x" * 401}"}}'), "xxx", "slot 'n'", "400"
    ),
    "many slots": Bad(
        event(f'"event":"turn","slots":{json.dumps({str(n): n for n in range(65)})}'),
        "does not fit",
        "'slots'",
        "64",
    ),
    "too long": Bad(b" " * (LONGEST_LINE_BYTES + 3), "longer than 65536 bytes"),
}


@pytest.mark.parametrize("bad", BAD.values(), ids=BAD.keys())
def test_a_bad_line_is_one_clear_error(bad: Bad) -> None:
    refused = refusal(bad.line)
    problem = refused.problem
    assert bad.what in problem.what
    assert problem.where.startswith("message")
    assert bad.where in problem.where
    assert bad.do in problem.do
    assert problem.do
    if bad.id is not None:
        assert refused.message_id == bad.id
    answer = encode(error_of(refused, 1.5))
    assert len(answer) < 1000, "an error does not echo a long line"
    assert json.loads(answer)["id"] == refused.message_id


def test_events_are_not_checked_when_none_are_given() -> None:
    assert isinstance(read_message(event('"event":"anything"')), EventReported)


# --- lines ----------------------------------------------------------------------


def lines_of(reader: LineReader, *chunks: bytes) -> list[tuple[int, bytes | MessageRefused]]:
    return [line for chunk in chunks for line in reader.feed(chunk)]


def test_lines_are_cut_at_newlines_and_numbered() -> None:
    reader = LineReader()
    assert lines_of(reader, b"a\nb\r\n\n  \nc", b"c\nd") == [
        (1, b"a"),
        (2, b"b"),
        (5, b"cc"),
    ]
    assert reader.close() == [(6, b"d")]
    assert reader.close() == []


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=40)), st.lists(st.integers(0, 60)))
def test_how_the_bytes_arrive_makes_no_difference(pieces: list[bytes], cuts: list[int]) -> None:
    stream = b"\n".join(pieces)
    at_once = LineReader(longest_bytes=16)
    whole = [*at_once.feed(stream), *at_once.close()]
    reader = LineReader(longest_bytes=16)
    in_bits: list[tuple[int, bytes | MessageRefused]] = []
    rest = stream
    for cut in cuts:
        in_bits += reader.feed(rest[:cut])
        rest = rest[cut:]
    in_bits += [*reader.feed(rest), *reader.close()]
    assert [(n, str(line)) for n, line in in_bits] == [(n, str(line)) for n, line in whole]
    kept = [line for _, line in whole if isinstance(line, bytes)]
    stripped = [piece.removesuffix(b"\r") for piece in stream.split(b"\n")]
    assert kept == [line for line in stripped if line.strip() and len(line) <= 16]
    assert len(whole) - len(kept) == sum(len(line) > 16 for line in stripped)


def test_the_longest_line_is_taken_and_one_byte_more_is_not() -> None:
    for ending in (b"\n", b"\r\n"):
        longest = b"x" * LONGEST_LINE_BYTES
        assert LineReader().feed(longest + ending) == [(1, longest)]
        ((_, refused),) = LineReader().feed(longest + b"x" + ending)
        assert isinstance(refused, MessageRefused)


def test_a_hundred_megabyte_line_is_refused_once_in_flat_memory() -> None:
    reader = MessageReader(EVENTS)
    chunk = b"x" * 1_000_000
    assert reader.feed(GOOD + b"\n") == [read_message(GOOD)]
    tracemalloc.start()
    try:
        refused = [got for _ in range(100) for got in reader.feed(chunk)]
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak_bytes < 4 * LONGEST_LINE_BYTES
    (only,) = refused
    assert isinstance(only, MessageRefused)
    assert only.problem.where == "line 2"
    assert "65536 bytes" in only.problem.what
    assert reader.feed(b"tail\n" + GOOD + b"\n") == [read_message(GOOD)]


def test_a_long_line_in_small_pieces_is_refused_as_soon_as_it_is_too_long() -> None:
    reader = LineReader()
    fed = 0
    while not (found := reader.feed(b"y" * 1000)):
        fed += 1000
    assert fed < LONGEST_LINE_BYTES + 1001
    assert len(found) == 1


def test_a_bad_line_does_not_disturb_its_neighbours() -> None:
    reader = MessageReader(EVENTS)
    mixed = b"\n".join([GOOD, b"\xff\xfe", GOOD, b"[" * 30_000, GOOD, b"\x00" * 99, GOOD, b""])
    got = reader.feed(mixed)
    assert [isinstance(message, MessageRefused) for message in got] == [False, True] * 3 + [False]
    wheres = [found.problem.where for found in got if isinstance(found, MessageRefused)]
    assert [where.split(",")[0] for where in wheres] == ["line 2", "line 4", "line 6"]


def test_a_last_line_without_its_newline_is_read_when_the_stream_ends() -> None:
    reader = MessageReader(EVENTS)
    assert reader.feed(b'{"v":1,"type":"clo') == []
    assert reader.feed(b'se"}') == []
    assert reader.close() == [Close()]


# --- anything at all ------------------------------------------------------------

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=4,
)
near_messages = st.fixed_dictionaries(
    {},
    optional={
        "v": st.just(1) | json_values,
        "type": st.sampled_from(["event", "button", "hold_cleared", "ping", "close"]) | json_values,
        "id": st.text(max_size=8) | json_values,
        "event": st.sampled_from(EVENTS) | json_values,
        "slots": st.dictionaries(st.text(max_size=4), json_values, max_size=3) | json_values,
        "button": st.text(max_size=5) | json_values,
        "by": st.text(max_size=5) | json_values,
        "more": json_values,
    },
)
damaged = st.builds(
    lambda where, junk: GOOD[:where] + junk + GOOD[where + len(junk) :],
    st.integers(0, len(GOOD)),
    st.binary(min_size=1, max_size=3),
)
lines = (
    st.binary(max_size=200)
    | st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | near_messages.map(lambda found: json.dumps(found).encode())
    | near_messages.map(
        lambda found: json.dumps(found, ensure_ascii=False).encode("utf-8", "surrogatepass")
    )
    | damaged
)


def outcome(line: bytes) -> Inbound | MessageRefused:
    try:
        return read_message(line, events=EVENTS)
    except MessageRefused as refused:
        return refused


@settings(max_examples=400, deadline=None)
@given(lines)
def test_any_line_is_a_message_or_refused_and_nothing_else(line: bytes) -> None:
    found = outcome(line)
    if isinstance(found, MessageRefused):
        problem = found.problem
        assert problem.what
        assert problem.where
        assert problem.do
        json.loads(encode(error_of(found, 0.0)))
    else:
        assert isinstance(found, INBOUND_CLASSES)
        assert outcome(encode(found)) == found


@settings(max_examples=100, deadline=None)
@given(st.lists(lines | st.just(GOOD), max_size=6))
def test_the_session_goes_on_after_any_lines(given_lines: list[bytes]) -> None:
    reader = MessageReader(EVENTS)
    for line in given_lines:
        for found in reader.feed(line + b"\n"):
            assert isinstance(found, (MessageRefused, *INBOUND_CLASSES))
    assert reader.feed(GOOD + b"\n") == [read_message(GOOD)]


@settings(max_examples=300, deadline=None)
@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=60),
    st.floats(allow_nan=False, allow_infinity=False),
)
def test_what_is_sent_is_always_one_strict_line(text: str, at_s: float) -> None:
    message = Said(at_s=at_s, id="e1", event="turn", voice="Alder", text=text, said="said")
    line = encode(message)
    # Python's own idea of lines knows more line ends than "\n"; none may be in between.
    assert line.decode("utf-8").splitlines() == [line.decode("utf-8")[:-1]]
    back = json.loads(line, parse_constant=pytest.fail)
    assert back["text"] == text
    assert back["at_s"] == at_s


def test_non_ascii_text_travels_as_utf_8() -> None:
    assert (
        encode(Pong(at_s=0.0, id="灯")) == '{"v":1,"type":"pong","at_s":0.0,"id":"灯"}\n'.encode()
    )
