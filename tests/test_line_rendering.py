"""Lines made ready while an engine hangs, for real: its process is stopped by a signal."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.errors import EngineFailed, Problem
from tablevoice.line_rendering import LineRendering
from tablevoice.model import Clip, Priority, Utterance
from tablevoice.phrasebook.slots import fill, fill_marked

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")

CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3}
recogniser: {kind: pocketsphinx}
store: {folder: store, max_mb: MAX_MB}
history: {file: history.sqlite}
"""
BOOK = """
format: 1
title: Small
language: en
slots: {note: any}
events:
  stop_now: {priority: warning, lines: [_Hands_ away. | Hands away.]}
  remark: {slots: [note], priority: banter, lines: ["{note}"]}
"""


@pytest.fixture
def parts(tmp_path: Path) -> Iterator[Assembly]:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL.replace("MAX_MB", "50"), encoding="utf-8")
    with Assembly(load_cell(tmp_path / "cell.yaml"), remember=False) as opened:
        assert opened.prepare().made == 1
        yield opened


def line(text: str, marked: str = "", number: int = 1) -> Utterance:
    return Utterance(
        id=f"u{number}", event_id="e", event="remark", line_key="k", voice="Alder", text=text,
        priority=Priority.BANTER, interruptible=True, born_s=0.0, fresh_until_s=8.0,
        marked=marked,
    )  # fmt: skip


WARNING = line("Hands away. Hands away.", "_Hands_ away. | Hands away.", number=9)


def hang(parts: Assembly) -> int:
    """Stop the engine's process where it stands."""
    process_id = parts.engine.process_id()
    assert process_id is not None
    os.kill(process_id, signal.SIGSTOP)
    return process_id


def test_a_prepared_line_does_not_wait_for_an_engine_that_hangs(parts: Assembly) -> None:
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        hung = hang(parts)
        waiting = rendering.make_ready(line("An unheard of remark."), None, 60.0)
        assert rendering.make_ready(WARNING, None, 8.0).result(8.0).duration_s > 1.0
        assert not waiting.done()
        os.kill(hung, signal.SIGCONT)
        assert waiting.result(30.0).duration_s > 0.5


def test_a_line_that_was_cut_gives_its_engine_back(parts: Assembly) -> None:
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        hung = hang(parts)
        first = line("An unheard of remark.", number=1)
        waiting = rendering.make_ready(first, None, 60.0)
        rendering.make_ready(WARNING, None, 8.0).result(8.0)  # the first is under way by now
        rendering.unwanted(first)
        urgent = rendering.make_ready(line("Something else.", number=2), None, 60.0)
        assert urgent.result(9.0).duration_s > 0.4  # long before the hung one's ten seconds
        with pytest.raises(EngineFailed, match="given up"):
            waiting.result(1.0)
        assert parts.engine.process_id() != hung


def test_a_line_that_is_cut_before_its_turn_is_never_rendered(parts: Assembly) -> None:
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        hung = hang(parts)
        first = rendering.make_ready(line("First remark.", number=1), None, 60.0)
        second = line("Second remark.", number=2)
        ready = rendering.make_ready(second, None, 60.0)
        rendering.unwanted(second)
        os.kill(hung, signal.SIGCONT)
        assert first.result(30.0).duration_s > 0.4
        # Either it was left out, or the first took so long that it was its turn after all.
        until_s = time.monotonic() + 30.0
        while not ready.done() and time.monotonic() < until_s:
            time.sleep(0.01)
        assert ready.done()


def test_an_engine_gets_no_longer_than_the_line_is_fresh(parts: Assembly) -> None:
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        hang(parts)
        ready = rendering.make_ready(line("An unheard of remark."), None, 0.2)
        with pytest.raises(EngineFailed, match="did not answer within 1 s"):
            ready.result(20.0)
        again = rendering.make_ready(line("An unheard of remark.", number=2), None, 8.0)
        assert again.result(30.0).duration_s > 0.5


def test_an_engine_that_is_gone_is_told_and_prepared_lines_go_on(
    parts: Assembly, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        parts.engine.close()
        monkeypatch.setattr(sys, "executable", str(tmp_path / "no-such-python"))
        failing = rendering.make_ready(line("An unheard of remark."), None, 8.0)
        with pytest.raises(EngineFailed, match="does not start"):
            failing.result(30.0)
        assert rendering.make_ready(WARNING, None, 8.0).result(8.0).duration_s > 1.0


def test_a_line_waits_for_its_use_to_be_written_down_but_not_for_ever(parts: Assembly) -> None:
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        written: Future[None] = Future()
        ready = rendering.make_ready(WARNING, written, 8.0)
        threading.Timer(0.1, written.set_result, (None,)).start()
        assert ready.result(8.0).duration_s > 1.0
        assert written.done()
        never: Future[None] = Future()
        assert rendering.make_ready(WARNING, never, 8.0).result(8.0).duration_s > 1.0


def test_a_store_that_takes_no_more_is_told_once(parts: Assembly, tmp_path: Path) -> None:
    told: list[Problem] = []
    with LineRendering(parts.voices, told.append) as rendering:
        for file in (tmp_path / "store").iterdir():
            file.unlink()
        (tmp_path / "store").rmdir()
        (tmp_path / "store").write_text("not a folder any more")
        for number in range(3):
            ready = rendering.make_ready(line(f"Remark {number}.", number=number), None, 8.0)
            clip: Clip = ready.result(30.0)
            assert clip.duration_s > 0.4
    assert len(told) == 1
    assert "cannot be written" in told[0].what


@pytest.mark.parametrize(
    "value",
    [
        "<speak><break time='9s'/></speak>", "[[l'ant3n]]", "{note}", "_a_ | |5s|", "\u202eabc",
        "\U0001f3ee lantern",
    ],
)  # fmt: skip
def test_a_value_of_the_controller_is_said_and_never_obeyed(parts: Assembly, value: str) -> None:
    slots = {"note": value}
    utterance = line(fill("{note}", slots), fill_marked("{note}", slots))
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        clip = rendering.make_ready(utterance, None, 30.0).result(60.0)
    assert 0.3 < clip.duration_s < 8.0


def test_a_value_of_an_emoji_alone_is_said_or_told(parts: Assembly) -> None:
    """espeak-ng names it or is silent, by its version; the next line sounds either way."""
    with LineRendering(parts.voices, lambda problem: None) as rendering:
        ready = rendering.make_ready(line("\U0001fae0"), None, 30.0)
        error = ready.exception(60.0)
        assert error is None or (isinstance(error, EngineFailed) and "sound" in str(error))
        assert rendering.make_ready(WARNING, None, 8.0).result(8.0).duration_s > 1.0
