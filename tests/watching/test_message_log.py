"""Each message has its line, and none says what people said unless that was wanted."""

from __future__ import annotations

import pytest

from tablevoice.links import messages
from tablevoice.links.messages import INBOUND_TYPES, OUTBOUND_TYPES, Inbound, Outbound
from tablevoice.watching.message_log import MessageLog
from tests.watching.test_logs import Row, Written

SPOKEN = "marigold"
"""In every place where a message carries what was said to somebody, by somebody, or answered."""

IN: list[Inbound] = [
    messages.EventReported(id="e1", event="lit", slots={"who": SPOKEN}),
    messages.ButtonPressed(button=SPOKEN),
    messages.HoldClearedReported(by="reset"),
    messages.Correct(utterance="3-1", said=SPOKEN),
    messages.Ping(id="p1"),
    messages.Close(),
]
OUT: list[Outbound] = [
    messages.Ready(at_s=0.0, table="t", version="0", events=("lit",)),
    messages.Said(at_s=3.0, id="e1", event="lit", voice="Alder", text=f"Hello {SPOKEN}.",
                  said="said", start_s=1.0, end_s=2.5),
    messages.AnswerGiven(at_s=9.0, id="e2", question="colour", value=SPOKEN, how="voice",
                         certainty=0.9, tries=1),
    messages.Done(at_s=3.0, id="e1", said="said"),
    messages.HeardReported(at_s=8.0, text=SPOKEN, meaning=SPOKEN, certainty=0.9, verdict="act",
                           start_s=7.0, end_s=7.6, utterance="3-1",
                           probabilities={SPOKEN: 0.9}, reason=f"{SPOKEN} is likely."),
    messages.Corrected(at_s=9.0, utterance="3-1", learns=True),
    messages.HoldRequest(at_s=9.0, kind="pause", phrase=SPOKEN, certainty=0.8),
    messages.GuardReported(at_s=1.0, state="tripped", permit=False, proven=True, armed=False),
    messages.ErrorReported(at_s=1.0, what="It failed.", where="here", do="Mend it."),
    messages.PhrasebookChanged(at_s=1.0, title="Evening", events=("lit",)),
    messages.Pong(at_s=1.0, id="p1"),
    messages.Closed(at_s=9.0),
]  # fmt: skip


def logged(*, speech: bool) -> list[Row]:
    written = Written(form="json", level="debug")
    log = MessageLog(written.log.out, speech=speech)
    for inbound in IN:
        log.received(inbound)
    for outbound in OUT:
        log.told(outbound)
    return written.rows()


def test_every_kind_of_message_is_tried_here() -> None:
    assert {type(message) for message in IN} == set(INBOUND_TYPES.values())
    assert {type(message) for message in OUT} == set(OUTBOUND_TYPES.values())


def test_every_message_gives_one_line_whose_name_tells_its_kind() -> None:
    rows = logged(speech=False)
    names = [row["event"] for row in rows]
    assert len(names) == len(IN) + len(OUT)
    assert len(set(names)) == len(names)


def test_no_word_that_was_said_is_logged_unless_wanted() -> None:
    assert SPOKEN not in str(logged(speech=False))
    spoken = [row["event"] for row in logged(speech=True) if SPOKEN in str(row)]
    assert spoken == ["event", "button", "correction", "line", "answer", "heard", "hold_asked"]


def test_what_needs_somebody_stands_out_by_its_level() -> None:
    levels = {row["event"]: row["level"] for row in logged(speech=False)}
    assert levels["hold_asked"] == levels["guard"] == levels["problem"] == "warning"
    assert levels["ping"] == levels["pong"] == "debug"


def test_times_and_numbers_are_worked_out() -> None:
    rows = {row["event"]: row for row in logged(speech=False)}
    assert rows["heard"]["delay_s"] == pytest.approx(0.4)
    assert rows["heard"]["lasted_s"] == pytest.approx(0.6)
    assert rows["heard"]["utterance"] == "3-1"
    assert rows["line"]["lasted_s"] == pytest.approx(1.5)
    assert rows["problem"]["do"] == "Mend it."
