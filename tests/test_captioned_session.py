"""Captions of whole sessions: simulated with marked lines and foreign letters, and live."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
import webvtt

from tablevoice.acoustics.room import Room
from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.links import messages
from tablevoice.model import SlotValue
from tablevoice.session_records import Record
from tablevoice.simulation import SimulatedSession
from tests.test_live_session import RunningTable

HEBREW = "\u05e0\u05d3\u05dc\u05e7"
ASKED = (
    "Welche von den Farben auf Ihrer Karte soll es denn in dieser Runde bitte sein, wenn Sie"
    " sich jetzt und hier entscheiden dürfen?"
)
BOOK = """
format: 1
title: Untertitel
language: de
slots:
  note: any
  answer: [Türkis]
events:
  marked: {lines: ["Das | leuchtet _wirklich_ hell. || Sehr schön."]}
  noted: {slots: [note], lines: ["Da steht: {note}."]}
  colour_asked: {priority: question, asks: colour, lines: ["{ASKED}"]}
  again: {priority: question, lines: ["Noch einmal, bitte."]}
questions:
  colour:
    answers: {Türkis: [türkis]}
    wait_s: 8
    tries: 1
    button_wait_s: 30
    waited: again
    give_up: again
"""
CELL = """
format: 1
table: Tisch
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: de+m3, rate_wpm: 150}
recogniser: {kind: none}
loudspeaker: {device: pulse, latency: high}
microphone: {device: a microphone that nobody has}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
captions: screen.vtt
"""


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK.replace("{ASKED}", ASKED), encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    return tmp_path / "cell.yaml"


def captions(file: Path) -> list[webvtt.Caption]:
    found: list[webvtt.Caption] = webvtt.read(str(file)).captions
    return found


def test_captions_have_the_words_without_marks_and_foreign_letters_apart(cell: Path) -> None:
    read = replace(load_cell(cell), history_file=cell.parent / "h.sqlite")
    screen = cell.parent / "screen.vtt"
    with (
        Assembly(read, remember=False) as parts,
        Record(None, title="Tisch", language=read.phrasebook.language, captions=screen) as record,
    ):
        room = Room(None, arms=("Alder",))
        session = SimulatedSession(parts.open_table(1), None, room, parts.voices, record)
        note: dict[str, SlotValue] = {"note": f"<b>_{HEBREW}_ | & so"}
        events: list[tuple[str, dict[str, SlotValue]]] = [("marked", {}), ("noted", note)]
        for number, (event, slots) in enumerate(events):
            session.receive(messages.EventReported(id=f"e{number}", event=event, slots=slots))
        while not session.table.idle:
            session.step()
            assert session.now_s < 60.0
    first, second = captions(screen)
    assert first.text == "Das leuchtet wirklich hell. Sehr schön."
    text = screen.read_text("utf-8")
    assert "<b>" not in text
    # A slot's value is data: its marks are no markup, and they are shown as they came.
    assert f"&lt;b&gt;_{HEBREW}_ | &amp; so" in text
    assert f"<lang de>\u2066Da steht: &lt;b&gt;_{HEBREW}_ | &amp; so.\u2069</lang>" in text
    assert (first.voice, second.voice) == ("Alder", "Alder")


@pytest.mark.sound_server
def test_a_live_table_without_ears_shows_each_line_while_it_sounds(
    cell: Path, pulse_environment: dict[str, str]
) -> None:
    table = RunningTable(cell, pulse_environment)
    screen = cell.parent / "screen.vtt"
    try:
        table.wait_for_type("ready", 120.0)
        assert captions(screen) == []
        table.send({"v": 1, "type": "event", "id": "e1", "event": "colour_asked", "slots": {}})
        deadline_s = time.monotonic() + 60.0
        while not captions(screen):
            assert time.monotonic() < deadline_s
            time.sleep(0.01)
        # The line, some five seconds long, is on the screen before the table says it is over.
        came = list(table._rows.queue)
        assert not [row for row in came if row["type"] == "said"]
        planned = captions(screen)[0]
        said = table.wait_for_type("said")
        table.send({"v": 1, "type": "button", "button": "Türkis"})
        answer = table.wait_for_type("answer")
        assert (answer["value"], answer["how"]) == ("Türkis", "button")
        table.process.kill()
        table.process.wait(30)
    finally:
        table.process.kill()
    assert planned.text == said["text"] == ASKED
    (caption,) = captions(screen)
    assert caption.start == planned.start
    assert abs(said["start_s"] - caption.start_in_seconds) < 1.0
