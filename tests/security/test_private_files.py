"""What people said is readable for the table's user alone, whatever the umask.

A group keeps what somebody gave it; others lose what they had.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import numpy as np
import pytest

from tablevoice.actions import Send
from tablevoice.cell import load_cell
from tablevoice.enrolment import Enrolment
from tablevoice.history import History
from tablevoice.links import messages
from tablevoice.model import Clip, Heard, Hypothesis, Match, Verdict
from tablevoice.session_records import Record
from tests.test_cli import BOOK, CELL

SOUND = Clip(np.full(8_000, 0.1, np.float32), 16_000)


@pytest.fixture(autouse=True)
def no_umask() -> Iterator[None]:
    """As open as a careless system can be."""
    before = os.umask(0)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def open_ways(folder: Path) -> list[str]:
    """What below ``folder`` anybody but its owner could reach, by name."""
    found: list[str] = []
    for path in sorted(folder.iterdir()):
        if mode(path) & 0o077 and not path.is_dir():
            found.append(path.name)
        elif path.is_dir() and mode(path) & 0o077:
            found += [f"{path.name}/{name}" for name in open_ways(path)]
    return found


def hear(history: History) -> None:
    heard = Heard(Hypothesis("violet", 0.8, True, {}), 2.0, 2.6, -31.0)
    history.record_heard(
        2.6, heard, Match("violet", "violet", 0.8, 0.4, "amber"), Verdict.ACT, audio=SOUND
    )


def test_a_history_and_all_beside_it(tmp_path: Path) -> None:
    with History(tmp_path / "history.sqlite", keep_audio_days=1) as history:
        history.begin_session("table", "0")
        hear(history)
        names = {path.name for path in tmp_path.iterdir()}
        assert "history.sqlite-wal" in names  # while it is open, rows are there first
        assert len(list(history.audio_folder.iterdir())) == 1
        assert open_ways(tmp_path) == []
        assert mode(history.audio_folder) == 0o700
    assert open_ways(tmp_path) == []
    assert mode(tmp_path / "history.sqlite") == 0o600


@pytest.mark.parametrize(("before", "after"), [(0o666, 0o660), (0o644, 0o640), (0o640, 0o640)])
def test_a_history_of_an_earlier_version_is_closed_to_others(
    tmp_path: Path, before: int, after: int
) -> None:
    path = tmp_path / "history.sqlite"
    with History(path, keep_audio_days=1) as history:
        history.begin_session("table", "0")
        hear(history)
    path.chmod(before)
    history.audio_folder.chmod(0o755)
    with History(path, keep_audio_days=1):
        assert mode(path) == after
        assert mode(history.audio_folder) == 0o750


def test_a_session_s_record(tmp_path: Path) -> None:
    folder = tmp_path / "records" / "20310504"
    with Record(folder, title="Table") as record:
        record.sent(Send(messages.Ready(at_s=0.0, table="t", version="0", events=())))
        assert mode(folder) == 0o700
        assert mode(folder / "session.jsonl") == 0o600
        assert open_ways(tmp_path / "records") == []


def test_captions_for_a_screen_stay_readable_for_it(tmp_path: Path) -> None:
    with Record(None, captions=tmp_path / "captions.vtt"):
        assert mode(tmp_path / "captions.vtt") == 0o666  # as the umask lets it


def test_an_operator_s_takes(tmp_path: Path) -> None:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    enrolment = Enrolment(load_cell(tmp_path / "cell.yaml"), "Robin")
    for phrase, number in enrolment.wanted():
        enrolment.keep(phrase, number, SOUND.samples)
    enrolment.finish("agreed", datetime(2031, 5, 4, tzinfo=timezone.utc))
    kept = list(tmp_path.rglob("*.flac"))
    assert kept
    assert {mode(path.parent) for path in kept} == {0o700}
