"""The whole demo, as a newcomer runs it: real engine, recogniser, guard and Modbus peer.

It runs in a network that leads nowhere, where every try to get out is counted.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import matplotlib.image
import pytest
import soundfile
import webvtt

from tests import no_route

ROOT = Path(__file__).resolve().parents[1]
Row = dict[str, Any]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder that one run made, and what it printed."""
    if no_route.missing():
        pytest.skip(no_route.missing())
    folder = tmp_path_factory.mktemp("demo")
    out = folder / "out"
    command = [sys.executable, "-m", "tablevoice", "demo", "--quiet", "--out", str(out)]
    done = subprocess.run(
        no_route.isolated(folder / "counts.json", command),
        env={**os.environ, "HOME": str(folder / "home"), "PYTHONPATH": str(ROOT)},
        cwd=ROOT, capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return out, done.stdout


@pytest.fixture(scope="module")
def rows(demo: tuple[Path, str]) -> list[Row]:
    lines = (demo[0] / "session.jsonl").read_text("utf-8").splitlines()
    return [json.loads(line) for line in lines]


def of(rows: list[Row], kind: str) -> list[Row]:
    return [row for row in rows if row["type"] == kind]


def test_nothing_of_it_tried_to_leave_the_computer(demo: tuple[Path, str]) -> None:
    counts = json.loads((demo[0].parent / "counts.json").read_text("utf-8"))
    assert counts == dict.fromkeys(no_route.COUNTED, 0)
    # Libraries that tell their makers who uses them keep a number for that at home.
    home = demo[0].parent / "home"
    assert not [path for path in home.rglob("*") if "deviceid" in path.name.lower()]


def test_it_names_the_files_that_it_made(demo: tuple[Path, str]) -> None:
    out, printed = demo
    for name in ("session.wav", "captions.vtt", "session.jsonl", "timeline.png"):
        assert (out / name).stat().st_size > 0
        assert name in printed
    assert "not a safety function" in printed


def test_the_sound_lasts_as_long_as_the_session_and_is_neither_silent_nor_clipped(
    demo: tuple[Path, str], rows: list[Row]
) -> None:
    samples, rate_hz = soundfile.read(demo[0] / "session.wav")
    assert abs(len(samples) / rate_hz - of(rows, "closed")[0]["at_s"]) < 1.0
    assert 0.05 < abs(samples).max() < 1.0
    assert 40.0 < len(samples) / rate_hz < 180.0


def test_every_event_was_answered_once(rows: list[Row]) -> None:
    asked = Counter(row["id"] for row in of(rows, "event"))
    answered = Counter(
        row["id"] for row in rows if row["type"] in ("done", "answer", "error") and row["id"]
    )
    assert asked == answered
    assert len(asked) >= 12


def test_the_visitors_word_came_through_the_microphone_as_the_answer(rows: list[Row]) -> None:
    said = [row for row in of(rows, "person_said") if row["who"] == "visitor"]
    answers = of(rows, "answer")
    assert answers
    for answer in answers:
        assert answer["how"] in ("voice", "confirmed")
        heard = [
            row for row in of(rows, "heard")
            if row["meaning"] == answer["value"] and row["at_s"] <= answer["at_s"]
        ]  # fmt: skip
        assert heard
        assert any(
            row["text"] == answer["value"] and row["start_s"] < heard[-1]["end_s"] for row in said
        )


def test_what_was_said_to_nobody_was_not_acted_on(rows: list[Row]) -> None:
    for aside in (row for row in of(rows, "person_said") if row["who"] == "friend"):
        during = [
            row for row in of(rows, "heard")
            if aside["start_s"] - 0.2 < row["start_s"] < aside["end_s"]
        ]  # fmt: skip
        assert all(row["verdict"] != "act" for row in during)


def test_a_spoken_pause_was_held_by_the_guard_until_its_reset(rows: list[Row]) -> None:
    (request,) = of(rows, "hold_request")
    assert request["phrase"] == "pause"
    held = next(row for row in of(rows, "guard") if row["state"] == "held")
    assert held["causes"] == ["asked: pause"]
    again = next(row for row in of(rows, "guard") if row["armed"] and row["at_s"] > held["at_s"])
    between = [
        row["event"] for row in of(rows, "said")
        if row["start_s"] is not None and held["at_s"] < row["start_s"] < again["at_s"]
    ]  # fmt: skip
    assert set(between) <= {"paused"}


def test_the_stop_cut_a_sentence_and_worked_without_the_talking_half(rows: list[Row]) -> None:
    first, second = of(rows, "stop_pressed")
    cut = [row for row in of(rows, "said") if row["said"] == "cut" and row["at_s"] == first["at_s"]]
    assert len(cut) == 1
    (killed,) = of(rows, "talking_half_killed")
    assert killed["at_s"] < second["at_s"]
    for press in (first, second):
        assert 0.0 < press["reaction_ms"] < 1000.0


def test_captions_and_picture_are_whole(demo: tuple[Path, str], rows: list[Row]) -> None:
    out, _ = demo
    captions = webvtt.read(str(out / "captions.vtt")).captions
    sounded = [row["text"] for row in of(rows, "said") if row["start_s"] is not None]
    assert [caption.text for caption in captions] == sounded
    picture = matplotlib.image.imread(out / "timeline.png")
    assert picture.shape[1] > 1000
    assert picture[..., :3].std() > 0.02
