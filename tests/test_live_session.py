"""A whole live table in a process of its own, its loudspeaker looped to its microphone.

Real engine, real PortAudio and PulseAudio, real recogniser: events go in as JSON lines,
a visitor's recorded word is played into the sink, and the answer must come out.
"""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tablevoice.model import Voice
from tablevoice.speech.engines import Engine

Row = dict[str, Any]

FIXTURES = Path(__file__).parents[1] / "audio_fixtures"

CELL = """
format: 1
table: looped table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3, rate_wpm: 150, pitch: 40}
loudspeaker: {device: pulse, latency: high}
microphone: {device: pulse, latency: high}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite, keep_audio_days: 1}
record: records
"""

BOOK = """
format: 1
title: Looped
language: en
slots:
  answer: [teal, violet]
events:
  hello: {about: Opens., lines: [Good morning to everybody at this table.]}
  colour_asked: {about: Asks., priority: question, asks: colour, lines: [Which one is it?]}
  again: {about: Asks again., priority: question, lines: [Once more for me.]}
  confirm: {about: Confirms., slots: [answer], priority: question, lines: ["Was it {answer}?"]}
  button: {about: Falls back., priority: question, lines: [Press a key.]}
  holding: {about: Held., priority: warning, lines: [Asked to wait.]}
questions:
  colour:
    answers: {teal: [teal], violet: [violet]}
    wait_s: 6
    tries: 3
    button_wait_s: 30
    ask_again: again
    waited: again
    confirm: confirm
    give_up: button
standing:
  pause: {phrases: [pause], says: holding}
  stop: {phrases: [stop], says: holding}
"""


class RunningTable:
    """``tablevoice run`` as a child process; messages by type."""

    def __init__(self, cell: Path, environment: dict[str, str]) -> None:
        self.records = cell.parent / "records"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tablevoice", "run", str(cell)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=environment,
        )  # fmt: skip
        self._follow()

    def _follow(self) -> None:
        self._rows: queue.Queue[Row] = queue.Queue()
        self.seen: list[Row] = []
        threading.Thread(target=self._read, daemon=True).start()
        self.complaints: list[bytes] = []
        self._draining = threading.Thread(target=self._drain, daemon=True)
        self._draining.start()

    def drained(self) -> None:
        """Wait until all that it complained of is known, once it has ended."""
        self._draining.join(10.0)

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._rows.put(json.loads(line))

    def _drain(self) -> None:
        assert self.process.stderr is not None
        self.complaints.extend(self.process.stderr)

    def send(self, line: bytes | Row) -> None:
        assert self.process.stdin is not None
        data = line if isinstance(line, bytes) else json.dumps(line).encode()
        self.process.stdin.write(data + b"\n")
        self.process.stdin.flush()

    def wait_for(self, fits: Callable[[Row], bool], timeout_s: float = 60.0) -> Row:
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            try:
                row = self._rows.get(timeout=0.2)
            except queue.Empty:
                if self.process.poll() is not None:
                    break
                continue
            self.seen.append(row)
            if fits(row):
                return row
        errors = b"".join(self.complaints).decode(errors="replace")
        raise AssertionError(f"never came; seen {self.seen[-8:]}; stderr: {errors[-2000:]}")

    def wait_for_type(self, kind: str, timeout_s: float = 60.0) -> Row:
        return self.wait_for(lambda row: row["type"] == kind, timeout_s)


def new_cell(folder: Path) -> Path:
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
    return folder / "cell.yaml"


@pytest.fixture(scope="module")
def table(
    pulse_environment: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[RunningTable]:
    """One open table for the tests that leave it open."""
    running = RunningTable(new_cell(tmp_path_factory.mktemp("cell")), pulse_environment)
    running.wait_for_type("ready")
    yield running
    running.process.kill()
    running.process.wait()


def play(word: str, environment: dict[str, str]) -> None:
    """Let the visitor say a recorded word at the table."""
    file = FIXTURES / f"visitor_{word}.flac"
    subprocess.run(["paplay", str(file)], env=environment, check=True, timeout=30)


def event(event_id: str, name: str, **slots: object) -> Row:
    return {"v": 1, "type": "event", "id": event_id, "event": name, "slots": slots}


def recorded(folder: Path) -> list[Row]:
    (file,) = folder.glob("*/session.jsonl")
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def test_garbage_is_one_error_answer_and_the_session_goes_on(table: RunningTable) -> None:
    table.send(b"\xff\xfe not json")
    assert table.wait_for_type("error")["do"]
    table.send(b"x" * 200_000)
    assert "longer than" in table.wait_for_type("error")["what"]
    table.send(event("g1", "helo"))
    unknown = table.wait_for_type("error")
    assert unknown["id"] == "g1"
    assert "hello" in unknown["do"]
    table.send(event("g2", "hello"))
    assert table.wait_for_type("done")["id"] == "g2"


def test_the_room_hears_the_line_that_was_prepared(
    table: RunningTable, pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    take = tmp_path / "take.wav"
    recorder = subprocess.Popen(
        ["parecord", "--file-format=wav", "--rate=22050", "--channels=1", str(take)],
        env=pulse_environment,
    )
    try:
        time.sleep(1.0)
        table.send(event("l1", "hello"))
        assert table.wait_for_type("done")["said"] == "said"
        time.sleep(1.0)
    finally:
        recorder.terminate()
        recorder.wait(10)
    with Engine() as engine:
        voice = Voice("Alder", voice="en-gb+m3", rate_wpm=150, pitch=40)
        line = engine.render("Good morning to everybody at this table.", voice)
    heard, rate_hz = soundfile.read(take, dtype="float32")
    assert rate_hz == line.rate_hz
    assert best_likeness(heard, line.samples) > 0.9


def test_a_word_played_into_the_room_ends_as_the_answer_in_the_record(
    table: RunningTable, pulse_environment: dict[str, str]
) -> None:
    table.send(event("q1", "colour_asked"))
    table.wait_for(lambda row: row["type"] == "said" and row["event"] == "colour_asked")
    play("violet", pulse_environment)
    answer = table.wait_for_type("answer")
    assert (answer["id"], answer["value"]) == ("q1", "violet")
    assert answer["how"] in ("voice", "confirmed")
    table.send({"v": 1, "type": "ping", "id": "p1"})
    table.wait_for_type("pong")
    answers = [row for row in recorded(table.records) if row["type"] == "answer"]
    assert [(row["id"], row["value"]) for row in answers] == [("q1", "violet")]


def test_a_verdict_of_the_running_table_is_corrected_and_explained(
    table: RunningTable, pulse_environment: dict[str, str]
) -> None:
    heard = [row for row in table.seen if row["type"] == "heard" and row["meaning"] == "violet"]
    number = heard[-1]["utterance"]
    table.send({"v": 1, "type": "correct", "id": "c1", "utterance": number, "said": "teal"})
    reply = table.wait_for_type("corrected")
    assert (reply["id"], reply["utterance"], reply["learns"]) == ("c1", number, True)
    table.send({"v": 1, "type": "correct", "id": "c2", "utterance": "99-1", "nothing": True})
    assert "99-1" in table.wait_for(lambda row: row.get("id") == "c2")["what"]
    table.send({"v": 1, "type": "correct", "id": "c3", "utterance": number, "said": "tael"})
    assert "'teal'" in table.wait_for(lambda row: row.get("id") == "c3")["do"]
    # From another process, while the table has its history open.
    cell = table.records.parent / "cell.yaml"
    told = subprocess.run(
        [sys.executable, "-m", "tablevoice", "why", number, "--cell", str(cell), "--json"],
        env=pulse_environment, capture_output=True, check=True, timeout=60,
    )  # fmt: skip
    why = json.loads(told.stdout)
    assert (why["meaning"], why["said"], why["sound_kept"]) == ("violet", "teal", True)
    assert why["reason"]["text"] == heard[-1]["reason"]


def test_a_spoken_pause_asks_for_a_hold_that_no_voice_releases(
    table: RunningTable, pulse_environment: dict[str, str]
) -> None:
    play("pause", pulse_environment)
    request = table.wait_for_type("hold_request")
    assert request["kind"] == "pause"
    assert "not a safety function" in request["caution"]
    table.wait_for(lambda row: row["type"] == "said" and row["event"] == "holding")
    play("yes", pulse_environment)
    table.send(event("h1", "colour_asked"))
    refused = table.wait_for_type("error")
    assert refused["id"] == "h1"
    assert "held" in refused["what"]
    table.send({"v": 1, "type": "hold_cleared", "by": "reset button"})
    table.send(event("h2", "hello"))
    assert table.wait_for_type("done")["said"] == "said"


def test_the_end_of_the_input_lets_the_last_line_be_said(
    pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    table = RunningTable(new_cell(tmp_path), pulse_environment)
    try:
        table.wait_for_type("ready")
        table.send(event("e1", "hello"))
        assert table.process.stdin is not None
        table.process.stdin.close()
        assert table.wait_for_type("done")["said"] == "said"
        table.wait_for_type("closed")
        assert table.process.wait(30) == 0
    finally:
        table.process.kill()
    (captions,) = table.records.glob("*/captions.vtt")
    assert "Good morning to everybody at this table." in captions.read_text(encoding="utf-8")


def best_likeness(heard: Any, line: Any) -> float:
    """Largest normalised cross-correlation of ``line`` within ``heard``."""
    n = len(heard) + len(line)
    cross = np.fft.irfft(np.fft.rfft(heard, n) * np.conj(np.fft.rfft(line, n)), n)[: len(heard)]
    sums = np.concatenate(([0.0], np.cumsum(np.square(heard, dtype=np.float64))))
    ends = np.minimum(np.arange(len(heard)) + len(line), len(heard))
    energy = np.maximum(sums[ends] - sums[: len(heard)], 1e-9)
    return float(np.max(cross / np.sqrt(energy * np.square(line, dtype=np.float64).sum())))
