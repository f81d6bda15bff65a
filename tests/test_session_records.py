"""What a session leaves behind, written and read back."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import webvtt

from tablevoice.actions import CorrectVerdict, Judgement, Send, Spend
from tablevoice.errors import StoreUnwritable
from tablevoice.history import History
from tablevoice.links import messages
from tablevoice.model import Heard, Hypothesis, Match, Priority, Spent, Utterance, Verdict
from tablevoice.session_records import Record


def utterance() -> Utterance:
    return Utterance(
        id="u1", event_id="e1", event="lit", line_key="k", voice="Alder", text="It is lit.",
        priority=Priority.MOVE, interruptible=True, born_s=1.0, fresh_until_s=9.0,
    )  # fmt: skip


def said(outcome: messages.Outcome = "said", start_s: float | None = 1.5) -> Send:
    message = messages.Said(
        at_s=3.0, id="e1", event="lit", voice="Alder", text="It is lit.", said=outcome,
        start_s=start_s, end_s=None if start_s is None else 3.0,
    )  # fmt: skip
    return Send(message, utterance())


def fill(record: Record) -> None:
    heard = Heard(Hypothesis("silver", 0.9, True, {"llr": 1.5}), 4.0, 4.5, -22.0)
    record.received(messages.EventReported(id="e1", event="lit", slots={"lights": 3}), 1.0)
    record.note(Spend(Spent("lit", "Alder", "k", 1, 1)))
    record.sent(said())
    record.sent(
        Send(
            messages.HeardReported(
                at_s=4.8, text="silver", meaning="silver", certainty=0.9, verdict="act",
                start_s=4.0, end_s=4.5,
            ),
            Judgement(heard, Match("silver", "silver", 0.9, 0.9), Verdict.ACT),
        )
    )  # fmt: skip
    record.sent(Send(messages.HoldRequest(at_s=6.0, kind="pause", phrase="pause", certainty=0.8)))
    record.received(messages.HoldClearedReported(by="reset button"), 9.0)


def test_a_session_is_in_the_log_the_captions_and_the_history(tmp_path: Path) -> None:
    with History(tmp_path / "history.sqlite") as history:
        session = history.begin_session("table", "0")
        with Record(tmp_path / "record", history, title="Table") as record:
            fill(record)
        kinds = [entry.kind for entry in history.entries(session)]
        holds = [entry.fields["change"] for entry in history.entries(session, ("hold",))]
        (spent,) = history.spent()
        assert replace(spent, at_s=0.0) == Spent("lit", "Alder", "k", 1, 1)
        assert history.hold_in_force() is None
    assert kinds == ["event", "said", "heard", "hold", "hold"]
    assert holds == ["requested", "cleared"]
    rows = [
        json.loads(line)
        for line in (tmp_path / "record" / "session.jsonl").read_text("utf-8").splitlines()
    ]
    assert [row["type"] for row in rows] == [
        "event", "said", "heard", "hold_request", "hold_cleared"
    ]  # fmt: skip
    captions = (tmp_path / "record" / "captions.vtt").read_text("utf-8")
    assert "00:00:01.500 --> 00:00:03.000\n<v Alder>It is lit.</v>" in captions


def test_the_screen_shows_a_line_while_it_sounds(tmp_path: Path) -> None:
    screen = tmp_path / "screen.vtt"
    screen.write_text("of yesterday", encoding="utf-8")
    with Record(tmp_path / "record", title="Table", language="de", captions=screen) as record:
        record.sounding(utterance(), 1.5, 4.0)
        for path in (screen, tmp_path / "record" / "captions.vtt"):
            (cue,) = webvtt.read(str(path)).captions
            assert (cue.voice, cue.text, cue.end) == ("Alder", "It is lit.", "00:00:04.000")
        record.sent(said("cut"))
        (cue,) = webvtt.read(str(screen)).captions
        assert cue.end == "00:00:03.000"
    assert screen.read_bytes() == (tmp_path / "record" / "captions.vtt").read_bytes()


def test_a_screens_file_needs_no_record_and_one_that_cannot_be_made_is_refused(
    tmp_path: Path,
) -> None:
    with Record(None, captions=tmp_path / "new" / "screen.vtt") as record:
        record.sent(said())
    assert len(webvtt.read(str(tmp_path / "new" / "screen.vtt")).captions) == 1
    with pytest.raises(StoreUnwritable, match="captions cannot be written") as refused:
        Record(None, captions=tmp_path / "new")  # a folder
    assert refused.value.problem.do


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a Linux device")
def test_captions_that_find_no_room_are_said_once_and_the_record_goes_on(tmp_path: Path) -> None:
    screen = tmp_path / "screen.vtt"
    with Record(tmp_path / "record", captions=screen) as record:
        record._captions[1]._file.close()
        record._captions[1]._file = Path("/dev/full").open("wb", buffering=0)  # noqa: SIM115
        fill(record)
        fill(record)
        assert [p.where for p in record.problems] == [str(screen)]
    assert len(webvtt.read(str(tmp_path / "record" / "captions.vtt")).captions) == 2


def test_a_line_that_never_sounded_is_no_caption(tmp_path: Path) -> None:
    with Record(tmp_path / "record") as record:
        record.sent(said("expired", None))
    assert "It is lit." not in (tmp_path / "record" / "captions.vtt").read_text("utf-8")


def test_an_earlier_record_is_never_written_over(tmp_path: Path) -> None:
    with Record(tmp_path / "record") as record:
        fill(record)
    before = (tmp_path / "record" / "session.jsonl").read_bytes()
    with pytest.raises(StoreUnwritable, match="another session"):
        Record(tmp_path / "record")
    assert (tmp_path / "record" / "session.jsonl").read_bytes() == before


def test_a_folder_that_cannot_be_made_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(StoreUnwritable) as refused:
        Record(tmp_path / "file" / "record")
    assert refused.value.problem.do


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a Linux device")
def test_a_disk_that_fills_up_is_said_once_and_the_session_goes_on(tmp_path: Path) -> None:
    folder = tmp_path / "record"
    with History(tmp_path / "history.sqlite") as history:
        session = history.begin_session("table", "0")
        with Record(folder, history) as record:
            assert record._rows is not None
            record._rows.close()
            # /dev/full refuses every write as a full disk does (Linux full(4)).
            record._rows = Path("/dev/full").open("w", encoding="utf-8")  # noqa: SIM115
            fill(record)
            fill(record)
            assert len([p for p in record.problems if "record ended" in p.what]) == 1
        assert len(history.entries(session)) == 10


def test_what_is_recorded_together_reaches_the_history(tmp_path: Path) -> None:
    with History(tmp_path / "history.sqlite") as history:
        session = history.begin_session("table", "0")
        with Record(tmp_path / "record", history) as record:
            with record.together():
                fill(record)
            assert len(history.entries(session)) == 5
            assert record.problems == []


def test_a_persons_sound_is_kept_only_where_the_cell_says_so(tmp_path: Path) -> None:
    sound = np.sin(np.arange(8000) / 5).astype(np.float32)
    heard = Heard(Hypothesis("silver", 0.9, True), 4.0, 4.5, -22.0, samples=sound)
    message = messages.HeardReported(
        at_s=4.8, text="silver", meaning="silver", certainty=0.9, verdict="act",
        start_s=4.0, end_s=4.5,
    )  # fmt: skip
    judgement = Judgement(heard, Match("silver", "silver", 0.9, 0.9), Verdict.ACT)
    for days, files in ((0, 0), (1, 1)):
        folder = tmp_path / f"kept_{days}"
        with History(folder / "history.sqlite", keep_audio_days=days) as history:
            history.begin_session("table", "0")
            Record(None, history).sent(Send(message, judgement))
        kept = list(folder.glob("**/*.flac"))
        assert len(kept) == files
    samples, rate_hz = soundfile.read(kept[0])
    assert (len(samples), rate_hz) == (8000, 16_000)


def test_a_correction_is_answered_and_learnt_from_where_the_sound_was_kept(tmp_path: Path) -> None:
    sound = np.sin(np.arange(8000) / 5).astype(np.float32)
    for days, learns in ((0, False), (1, True)):
        folder = tmp_path / f"kept_{days}"
        with History(folder / "history.sqlite", keep_audio_days=days) as history:
            history.begin_session("table", "0")
            with Record(folder, history) as record:
                heard = Heard(Hypothesis("silver", 0.9, True), 4.0, 4.5, -22.0, samples=sound)
                message = messages.HeardReported(
                    at_s=4.8, text="silver", meaning="silver", certainty=0.9, verdict="act",
                    start_s=4.0, end_s=4.5, utterance="1-1",
                )  # fmt: skip
                found = Match("silver", "silver", 0.9, 0.9)
                record.sent(Send(message, Judgement(heard, found, Verdict.ACT, "1-1")))
                reply = record.correct(CorrectVerdict("1-1", "teal", "c1"), 9.0)
                unknown = record.correct(CorrectVerdict("1-1", None), 9.1)
                refused = record.correct(CorrectVerdict("7-7", "teal", "c2"), 9.2)
            assert isinstance(reply, messages.Corrected)
            assert (reply.learns, reply.id, reply.utterance) == (learns, "c1", "1-1")
            assert ("not kept" in reply.why_not) != learns
            assert isinstance(unknown, messages.Corrected)
            assert not unknown.learns
            assert isinstance(refused, messages.ErrorReported)
            assert ("7-7" in refused.what, refused.id) == (True, "c2")
            assert history.corrections() == 1
        rows = (folder / "session.jsonl").read_text("utf-8").splitlines()
        assert [json.loads(row)["type"] for row in rows] == [
            "heard", "corrected", "corrected", "error",
        ]  # fmt: skip


def test_a_correction_without_a_history_says_that_there_is_none_to_correct() -> None:
    reply = Record(None).correct(CorrectVerdict("1-1", "teal"), 1.0)
    assert isinstance(reply, messages.ErrorReported)
