"""An operator's own words: from files, through a real sound server, kept, listed, forgotten."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner, Result

from tablevoice.audio.clip_files import read_clip, to_rate, write_clip
from tablevoice.cell import Cell, load_cell
from tablevoice.cli import app
from tablevoice.enrolment import Enrolment, enrolled, names
from tablevoice.errors import TablevoiceError
from tablevoice.model import Clip, Samples
from tests.listening.speech_clips import silence, spoken

FIXTURES = Path(__file__).parents[1] / "audio_fixtures"
BOOK = """
format: 1
title: Small
language: en
events: {lit: {about: Lit., lines: [Lit.]}}
questions:
  colour: {answers: {teal: [teal], violet: [Violet]}}
standing:
  pause: {phrases: [pause]}
  never_mind: {phrases: [never mind]}
"""
CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices: {Alder: {}}
microphone: {device: pulse, latency: high}
"""
WORDS = ("teal", "violet", "yes", "no", "pause", "never mind")


@pytest.fixture
def cell(tmp_path: Path) -> Cell:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    return load_cell(tmp_path / "cell.yaml")


def take(word: str, voice: str = "en-us") -> Samples:
    return np.concatenate((silence(0.25), spoken(word, voice), silence(0.25)))


def record(folder: Path, words: tuple[str, ...] = WORDS, rate_hz: int = 16_000) -> Path:
    """A folder of takes as a person would hand them over."""
    folder.mkdir(exist_ok=True)
    for word in words:
        for number in (1, 2, 3):
            name = f"{word.replace(' ', '_')}-{number}.wav"
            write_clip(folder / name, to_rate(Clip(take(word), 16_000), rate_hz))
    return folder


def enrol(cell: Cell, *arguments: object) -> Result:
    whole = ["enrol", str(cell.path), *map(str, arguments)]
    return CliRunner().invoke(app, whole)


def test_words_from_files_are_kept_as_flac_with_the_consent(cell: Cell, tmp_path: Path) -> None:
    files = record(tmp_path / "files", rate_hz=44_100)
    done = enrol(cell, "Alder", "--from", files, "--consent")
    assert done.exit_code == 0, done.output
    assert "18 takes of Alder are kept" in done.output
    folder = tmp_path / "voices_enrolled" / "Alder"
    told = json.loads((folder / "enrolment.json").read_text(encoding="utf-8"))
    assert told["name"] == "Alder"
    assert "--forget" in told["consent"]
    assert told["consented_utc"].startswith("20")
    found = enrolled(cell)
    assert list(found) == ["Alder"]
    assert sorted(found["Alder"]) == sorted(
        (word, folder / f"{word.replace(' ', '_')}-{number}.flac")
        for word in WORDS for number in (1, 2, 3)
    )  # fmt: skip
    for word, path in found["Alder"]:
        info = soundfile.info(path)
        assert (info.format, info.samplerate, info.channels) == ("FLAC", 16_000, 1)
        samples = read_clip(path).samples
        assert np.corrcoef(samples, take(word)[: len(samples)])[0, 1] > 0.99


def test_every_unfit_and_missing_file_is_named_and_nothing_is_kept(
    cell: Cell, tmp_path: Path
) -> None:
    files = record(tmp_path / "files")
    (files / "violet-2.wav").unlink()
    (files / "no-1.wav").write_bytes(b"no sound")
    write_clip(files / "teal-1.wav", Clip(take("teal") * np.float32(0.02), 16_000))
    loud = np.clip(take("teal") * 12, -1, 1).astype(np.float32)
    write_clip(files / "teal-2.wav", Clip(loud, 16_000))
    write_clip(files / "pause-3.wav", Clip(take("pause")[:7000], 16_000))
    done = enrol(cell, "Alder", "--from", files, "--consent")
    assert done.exit_code == 1
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 5
    for line, (file, words) in zip(
        lines,
        [("teal-1.wav", "too quiet"), ("teal-2.wav", "clipped"), ("violet-2.wav", "missing"),
         ("no-1.wav", "not a sound file"), ("pause-3.wav", "cut off at its")],
        strict=True,
    ):  # fmt: skip
        assert file in line
        assert words in line
    assert enrolled(cell) == {}
    assert names(cell) == []


def test_nothing_is_taken_without_consent(cell: Cell, tmp_path: Path) -> None:
    done = enrol(cell, "Alder", "--from", record(tmp_path / "files"))
    assert done.exit_code == 1
    assert "I agree" in done.output
    assert "Nobody has agreed" in done.stderr
    assert not (tmp_path / "voices_enrolled").exists()


def test_one_word_can_be_enrolled_anew_and_the_others_stay(cell: Cell, tmp_path: Path) -> None:
    enrol(cell, "Briar", "--from", record(tmp_path / "files"), "--consent")
    before = {path.name: path.read_bytes() for _, path in enrolled(cell)["Briar"]}
    for number in (1, 2, 3):
        write_clip(tmp_path / "files" / f"violet-{number}.wav", Clip(take("violet", "en-gb+f3"),
                                                                     16_000))  # fmt: skip
    done = enrol(cell, "Briar", "--from", tmp_path / "files", "--word", "Violet", "--consent")
    assert "18 takes" in done.output
    after = {path.name: path.read_bytes() for _, path in enrolled(cell)["Briar"]}
    changed = {name for name in after if after[name] != before[name]}
    assert changed == {"violet-1.flac", "violet-2.flac", "violet-3.flac"}
    hidden = [path.name for path in (tmp_path / "voices_enrolled").iterdir()]
    assert hidden == ["Briar"]


def test_forgetting_deletes_all_of_one_person_and_nothing_else(cell: Cell, tmp_path: Path) -> None:
    files = record(tmp_path / "files")
    for name in ("Alder", "Briar"):
        enrol(cell, name, "--from", files, "--consent")
    Enrolment(cell, "Alder").keep("teal", 1, take("teal"))  # begun anew and left
    done = enrol(cell, "Alder", "--forget")
    assert done.exit_code == 0
    assert "19 takes of Alder were deleted" in done.output
    assert names(cell) == ["Briar"]
    assert [path.name for path in (tmp_path / "voices_enrolled").iterdir()] == ["Briar"]
    again = enrol(cell, "Brier", "--forget")
    assert again.exit_code == 1
    assert "Did you mean 'Briar'?" in again.stderr


@pytest.mark.parametrize("name", ["", "..", "../x", "a/b", "a\\b", ".x", "nul", "COM1", "x" * 80])
def test_a_name_that_is_no_folder_is_refused(cell: Cell, name: str) -> None:
    with pytest.raises(TablevoiceError, match="name of an enrolment"):
        Enrolment(cell, name)


def test_a_word_that_is_no_phrase_offers_the_nearest(cell: Cell) -> None:
    with pytest.raises(TablevoiceError, match="'violet'"):
        Enrolment(cell, "Alder", ["voilet"])


def test_an_enrolment_that_was_interrupted_goes_on_where_it_was(cell: Cell) -> None:
    first = Enrolment(cell, "Alder", ["teal", "pause"])
    assert len(first.wanted()) == 6
    first.keep("teal", 1, take("teal"))
    first.keep("teal", 2, take("teal"))
    assert enrolled(cell) == {}
    second = Enrolment(cell, "Alder", ["teal", "pause"])
    assert second.wanted() == [("teal", 3), ("pause", 1), ("pause", 2), ("pause", 3)]


def test_a_plug_pulled_while_the_folders_change_places_loses_nothing(
    cell: Cell, tmp_path: Path
) -> None:
    enrol(cell, "Alder", "--from", record(tmp_path / "files"), "--consent")
    place = tmp_path / "voices_enrolled"
    (place / "Alder").rename(place / ".Alder.former")  # as far as finish() came
    Enrolment(cell, "Alder", ["teal"])
    assert len(enrolled(cell)["Alder"]) == 18
    (place / "Alder").rename(place / ".Alder.former")
    assert "18 takes" in enrol(cell, "Alder", "--forget").output
    assert list(place.iterdir()) == []


def test_phrases_that_left_the_phrasebook_are_left_out(cell: Cell, tmp_path: Path) -> None:
    enrol(cell, "Alder", "--from", record(tmp_path / "files"), "--consent")
    (tmp_path / "book.yaml").write_text(BOOK.replace("[Violet]", "[amber]"), encoding="utf-8")
    phrases = {phrase for phrase, _ in enrolled(load_cell(cell.path))["Alder"]}
    assert phrases == {*WORDS} - {"violet"}


def test_a_damaged_enrolment_is_one_clear_error(cell: Cell, tmp_path: Path) -> None:
    enrol(cell, "Alder", "--from", record(tmp_path / "files"), "--consent")
    folder = tmp_path / "voices_enrolled" / "Alder"
    (folder / "teal-2.flac").unlink()
    with pytest.raises(TablevoiceError, match=r"teal-2.flac is missing.*--forget"):
        enrolled(cell)
    told = json.loads((folder / "enrolment.json").read_text(encoding="utf-8"))
    for broken in ("{", json.dumps({**told, "takes": [{"phrase": "teal", "file": "../../x"}]})):
        (folder / "enrolment.json").write_text(broken, encoding="utf-8")
        with pytest.raises(TablevoiceError, match="is damaged"):
            enrolled(cell)


# --- at the microphone ------------------------------------------------------------


class Enrolling:
    """``tablevoice enrol`` as a child process; its lines as they come."""

    def __init__(self, cell: Cell, environment: dict[str, str], *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tablevoice", "enrol", str(cell.path), *arguments],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=environment, text=True, encoding="utf-8",
        )  # fmt: skip
        self._lines: queue.Queue[str] = queue.Queue()
        self.seen: list[str] = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line.strip())

    def wait_for(self, words: str, timeout_s: float = 60.0) -> str:
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            try:
                self.seen.append(self._lines.get(timeout=0.2))
            except queue.Empty:
                if self.process.poll() is not None:
                    break
                continue
            if words in self.seen[-1]:
                return self.seen[-1]
        self.process.kill()
        assert self.process.stderr is not None
        raise AssertionError(f"{words!r} never came: {self.seen}; {self.process.stderr.read()}")


@pytest.mark.sound_server
def test_a_person_is_guided_at_the_microphone_and_unfit_takes_are_asked_for_again(
    cell: Cell, tmp_path: Path, pulse_environment: dict[str, str]
) -> None:
    word = read_clip(FIXTURES / "visitor_violet.flac")
    # The null sink adds nothing: what is played too hot is recorded clipped.
    gains = {"good": 1.0, "hot": 30.0, "faint": 0.02}
    for name, gain in gains.items():
        scaled = np.clip(word.samples * np.float32(gain / np.abs(word.samples).max() * 0.4), -1, 1)
        write_clip(tmp_path / f"{name}.wav", Clip(scaled.astype(np.float32), word.rate_hz))

    def say(take_name: str) -> None:
        file = tmp_path / f"{take_name}.wav"
        subprocess.run(["paplay", str(file)], env=pulse_environment, check=True, timeout=30)

    person = Enrolling(cell, pulse_environment, "Alder", "--word", "violet", "--consent")
    try:
        person.wait_for("Say “violet” (1 of 3)")
        say("good")
        assert person.wait_for(".") == "Good."
        person.wait_for("(2 of 3)")
        say("hot")
        assert "clipped" in person.wait_for("Once more.")
        person.wait_for("(2 of 3)")
        say("good")
        person.wait_for("(3 of 3)")
        # Stopped in the middle: what was taken stays.
        person.process.kill()
        person.process.wait()
        again = Enrolling(cell, pulse_environment, "Alder", "--word", "violet", "--consent")
        person = again
        again.wait_for("2 takes are there from before.")
        again.wait_for("(3 of 3)")
        say("faint")
        assert "Once more." in again.wait_for("Once more.", timeout_s=30)
        again.wait_for("(3 of 3)")
        say("good")
        again.wait_for("3 takes of Alder are kept")
        assert again.process.wait(30) == 0
    finally:
        person.process.kill()
    takes = enrolled(cell)["Alder"]
    assert [phrase for phrase, _ in takes] == ["violet"] * 3
    for _, path in takes:
        samples = read_clip(path).samples
        assert 0.5 < len(samples) / 16_000 < 3.0
        assert 0.3 < float(np.abs(samples).max()) < 0.5
