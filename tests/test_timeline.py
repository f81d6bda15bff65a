"""The picture of a session: what its rows tell, and that it is really drawn."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest

from tablevoice.errors import TablevoiceError
from tablevoice.model import Clip
from tablevoice.timeline import draw_timeline, read_session, tell

ROWS: list[dict[str, Any]] = [
    {"type": "said", "voice": "Alder", "text": "Which colour?", "said": "said",
     "start_s": 1.0, "end_s": 2.5, "at_s": 2.5},
    {"type": "person_said", "who": "visitor", "text": "silver", "at_s": 3.0,
     "start_s": 3.0, "end_s": 3.6},
    {"type": "heard", "text": "silver", "meaning": "silver", "certainty": 0.93,
     "verdict": "act", "start_s": 3.05, "end_s": 3.6, "at_s": 3.9},
    {"type": "answer", "question": "colour", "value": "silver", "how": "voice", "at_s": 3.9},
    {"type": "hold_request", "phrase": "pause", "at_s": 24.0},
    {"type": "said", "voice": "Briar", "text": "Never sounded", "said": "dropped",
     "start_s": None, "end_s": None, "at_s": 24.0},
    {"type": "hold_cleared", "by": "reset", "at_s": 28.0},
    {"type": "hold_request", "phrase": "stop", "at_s": 30.0},
]  # fmt: skip


def test_the_story_has_a_lane_for_each_voice_and_person() -> None:
    story = tell(ROWS)
    assert story.lanes == ("Alder", "Briar", "visitor", "heard")
    assert [bar.text for bar in story.bars] == ["Which colour?", "silver", "silver"]
    assert story.bars[-1].certainty == 0.93


def test_a_hold_on_less_evidence_says_so() -> None:
    heard = {"type": "heard", "text": "", "meaning": "pause", "certainty": 0.45, "verdict": "act",
             "start_s": 5.0, "end_s": 5.5, "at_s": 5.8}  # fmt: skip
    hold = {"type": "hold_request", "phrase": "pause", "at_s": 5.8}
    (mark,) = tell([{**heard, "on_less_evidence": True}, hold]).marks
    assert mark.text == "asks for a hold\n“pause”\non less evidence"
    (mark,) = tell([heard, hold]).marks  # as former versions wrote it
    assert mark.text == "asks for a hold\n“pause”"


def test_a_hold_lasts_until_it_is_cleared_or_to_the_end() -> None:
    assert tell(ROWS).holds == ((24.0, 28.0), (30.0, 30.0))


def test_the_picture_shows_ink_where_something_happened(tmp_path: Path) -> None:
    sound = Clip(np.sin(np.arange(35 * 8000) / 5).astype(np.float32), 8000)
    draw_timeline(tell(ROWS), sound, tmp_path / "full.png", "One session")
    draw_timeline(tell([]), None, tmp_path / "empty.png", "One session")
    full = matplotlib.image.imread(tmp_path / "full.png")
    empty = matplotlib.image.imread(tmp_path / "empty.png")
    assert full.shape[0] > empty.shape[0]  # 35 s need two staves, nothing needs one
    red = (full[..., 0] > 0.9) & (full[..., 1] < 0.93) & (full[..., 2] < 0.93)
    assert red.mean() > 0.02  # the band of the hold


def test_a_last_line_that_the_power_cut_in_half_is_passed_over(tmp_path: Path) -> None:
    file = tmp_path / "session.jsonl"
    file.write_text('{"type": "ready", "at_s": 0}\n{"type": "sa', encoding="utf-8")
    assert [row["type"] for row in read_session(file)] == ["ready"]


def test_a_damaged_line_is_named(tmp_path: Path) -> None:
    file = tmp_path / "session.jsonl"
    file.write_text('{"type": "ready"}\nrubbish\n{"type": "done"}\n', encoding="utf-8")
    with pytest.raises(TablevoiceError) as refused:
        read_session(file)
    assert refused.value.problem.where.endswith("session.jsonl:2")


def test_rules_of_taste_and_another_phrasebook_are_marked() -> None:
    story = tell([
        {"type": "said", "event": "warn", "voice": "Alder", "text": "Hands off.", "said": "said",
         "start_s": 1.0, "end_s": 2.0, "note": "teasing: at most one in 60 s"},
        {"type": "done", "at_s": 4.0, "said": "dropped", "why": "quiet hours from 20:00 to 07:00"},
        {"type": "done", "at_s": 5.0, "said": "said", "why": ""},
        {"type": "phrasebook", "at_s": 6.0, "title": "Second", "events": []},
        {"type": "stop_pressed", "at_s": 7.0},
    ])  # fmt: skip
    told = {mark.at_s: mark.text.replace("\n", " ") for mark in story.marks}
    assert told == {
        1.0: "gave way: teasing: at most one in 60 s",
        4.0: "kept quiet: quiet hours from 20:00 to 07:00",
        6.0: "another phrasebook",
        7.0: "stop pressed (guard on paper)",
    }
