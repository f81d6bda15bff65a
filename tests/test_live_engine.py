"""A running table whose engine hangs and dies in the middle: told, and the session goes on."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.test_live_session import CELL, RunningTable, event

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks for processes in /proc")

BOOK = """
format: 1
title: Small
language: en
slots: {note: any, lights: [1, 2]}
pronounce: {zaffre: {ipa: ˈzæfə, say: zaffer}}
events:
  hello: {about: Opens., slots: [lights], lines: ["_Zaffre_ light {lights} || is on."]}
  remark: {about: Says it., slots: [note], fresh_for_s: 2, lines: ["{note}, zaffre!"]}
"""


@pytest.fixture
def table(pulse_environment: dict[str, str], tmp_path: Path) -> Iterator[RunningTable]:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    running = RunningTable(tmp_path / "cell.yaml", pulse_environment)
    running.wait_for_type("ready")
    yield running
    running.process.kill()
    running.process.wait()


def engine_of(table: RunningTable) -> int:
    """The process of the table's engine."""
    end_s = time.monotonic() + 20.0
    while time.monotonic() < end_s:
        for folder in Path("/proc").iterdir():
            if folder.name.isdecimal():
                try:
                    command = (folder / "cmdline").read_bytes()
                    parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                except (OSError, ValueError):  # it ended while it was looked at
                    continue
                if parent == table.process.pid and b"engine_worker" in command:
                    return int(folder.name)
        time.sleep(0.1)
    raise AssertionError("there is no engine")


def test_the_session_outlives_its_engine(table: RunningTable) -> None:
    table.send(event("e1", "remark", note="First one"))
    assert table.wait_for_type("done")["said"] == "said"
    os.kill(engine_of(table), signal.SIGSTOP)
    table.send(event("e2", "remark", note="Second one"))
    told = table.wait_for_type("error")
    assert "did not answer" in told["what"]
    assert told["do"]
    assert table.wait_for_type("done")["said"] == "dropped"
    table.send(event("e3", "hello", lights=1))
    assert table.wait_for_type("done")["said"] == "said"
    table.send(event("e4", "remark", note="Third one"))
    assert table.wait_for_type("done")["said"] == "said"
    os.kill(engine_of(table), signal.SIGKILL)
    table.send(event("e5", "remark", note="Fourth one"))
    assert table.wait_for_type("done")["said"] == "said"
    said = [row["text"] for row in table.seen if row["type"] == "said"]
    assert said == [
        "First one, zaffre!", "Second one, zaffre!", "Zaffre light 1 is on.",
        "Third one, zaffre!", "Fourth one, zaffre!",
    ]  # fmt: skip


def test_a_value_that_looks_like_commands_is_said_or_refused(table: RunningTable) -> None:
    values = {
        "n1": ("<break time='9s'/> [[l'ant3n]] {x} _y_ |5s|", "said"),
        "n2": ("\u202egone\u202c", "said"),
        "n3": ("\U0001f3ee", "said"),
    }
    for event_id, (note, outcome) in values.items():
        begun_s = time.monotonic()
        table.send(event(event_id, "remark", note=note))
        done = table.wait_for_type("done")
        assert (done["id"], done["said"]) == (event_id, outcome)
        assert time.monotonic() - begun_s < 30.0
    for event_id, note, why in (
        ("r1", "a\x00b", "control character"),
        ("r2", "x" * 5000, "not a slot's value"),
        ("r3", "\x01", "control character"),
    ):
        table.send(event(event_id, "remark", note=note))
        assert why in table.wait_for_type("error")["what"]
    table.send(event("last", "hello", lights=2))
    assert table.wait_for_type("done")["id"] == "last"


def test_a_table_opens_without_one_of_its_voices(
    pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    """Another voice stands in, and it is said which is missing and how to get it back."""
    gone = "voices:\n  Cho: {engine: piper, voice: gone.onnx}\n"
    (tmp_path / "book.yaml").write_text(
        BOOK.replace("slots: [lights],", "slots: [lights], voice: Cho,"), encoding="utf-8"
    )
    (tmp_path / "cell.yaml").write_text(CELL.replace("voices:\n", gone), encoding="utf-8")
    table = RunningTable(tmp_path / "cell.yaml", pulse_environment)
    try:
        told = table.wait_for_type("error")
        assert "gone.onnx" in told["what"]
        assert "another voice stands in" in told["do"]
        table.send(event("e1", "hello", lights=1))
        said = table.wait_for_type("said")
        assert (said["voice"], said["said"]) == ("Cho", "said")
    finally:
        table.process.kill()
        table.process.wait()
