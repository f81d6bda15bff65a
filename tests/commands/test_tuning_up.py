"""``tablevoice tune`` from the words of a cell to an ear that knows a stranger's voice."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from tablevoice.assembly import Assembly
from tablevoice.audio.clip_files import write_clip
from tablevoice.cell import load_cell
from tablevoice.corpora.speakers import Speaker, Studio
from tablevoice.listening.ear import Ear
from tablevoice.listening.sound_encoder import encoder_mark
from tablevoice.listening.tuned_file import TunedFile, phrases_mark, tuned_path
from tablevoice.model import Clip, Heard
from tests.listening.speech_clips import noise, silence, spoken
from tests.tuned_cell import FEW, PHRASES, around, tablevoice, tune, write_cell


def refused(arguments: tuple[object, ...], cell_file: Path) -> str:
    result = tune(cell_file, *arguments)
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("error: ")
    assert "Traceback" not in result.output
    assert not tuned_path(cell_file).exists()
    assert not list(cell_file.parent.glob("*.new"))
    return " ".join(result.stderr.split())


def heard(ear: Ear, samples: np.ndarray[tuple[int], np.dtype[np.float32]]) -> list[Heard]:
    found = []
    for start in range(0, len(samples), 480):
        block = samples[start : start + 480]
        found += ear.feed(block, (start + len(block)) / 16_000)
    return found


def test_the_file_says_what_it_was_made_from(tuned_here: tuple[Path, str]) -> None:
    cell_file, printed = tuned_here
    cell = load_cell(cell_file)
    file = TunedFile(tuned_path(cell_file))
    notes = file.notes
    assert file.phrases == tuple(notes["phrases"]) == PHRASES
    assert notes["mark"] == phrases_mark(PHRASES, cell.phrasebook.pronunciations)
    assert notes["encoder"] == encoder_mark()
    assert notes["seed"] == 7
    assert notes["room_recordings"] == 1
    assert notes["voice_recordings"] == ["corrected verdicts", "enrolled: Briar", "folder: own"]
    families = notes["examples"]
    assert set(families) == {"espeak", "flite", "hibari", "nobody", "person"}
    assert families["person"] == 3 + 2 + 1  # enrolled, in the folder, corrected
    assert f"{len(PHRASES)} phrases, {sum(families.values())} examples" in printed
    assert "person" not in {rate["family"] for rate in notes["measured"]["both"]["rates"]}
    said = sum(rate["said"] for rate in notes["measured"]["second_opinion"]["rates"])
    assert said == FEW.each_command * len(PHRASES)
    counts = re.findall(r"nearest (\d+) of (\d+), acted on rightly (\d+), wrongly (\d+)", printed)
    both = sum(rate["said"] for rate in notes["measured"]["both"]["rates"])
    assert 0.1 * said < both < 0.5 * said
    assert sum(int(of) for _, of, _, _ in counts) == said + both
    assert all(int(right) <= int(of) for right, of, _, _ in counts)


def test_a_voice_that_had_no_part_is_heard_and_other_words_are_not(tuned: Path) -> None:
    """``pico`` is held out everywhere: of the encoder's training and of every ``tune``."""
    assert "pico" not in TunedFile(tuned_path(tuned)).notes["examples"]
    others = ("window", "garage", "banana", "seventeen", "thunder", "chocolate")
    with Studio() as studio, Assembly(load_cell(tuned)) as parts:
        ear = parts.open_ear()
        assert parts.problems == []
        ear.allow(PHRASES[1:], ["hold on"])
        right, sure, outside = 0, [], []
        for text in (*PHRASES, *others):
            sounds = "zaffer" if text == "zaffre" else text
            ear.reset()
            every = heard(ear, around(studio.say(Speaker("pico", "en-GB"), sounds)))
            one = every[0]
            assert set(one.probabilities) == set(PHRASES)
            assert sum(one.probabilities.values()) <= 1.0 + 1e-6
            assert set(one.second_opinion) == {"", *PHRASES}
            best = max(one.probabilities, key=lambda phrase: one.probabilities[phrase])
            if text in PHRASES:
                right += len(every) == 1 and best == text
                sure.append(one.probabilities[text])
            else:
                outside.append(max(one.probabilities.values()))
    assert right >= 5  # of 6; by chance it would be 1
    assert np.median(sure) > 0.5
    assert np.median(outside) < 0.3
    assert sum(chance >= 0.95 for chance in outside) <= 1


@pytest.mark.parametrize("seconds", [0.0, 1.0, 5.0])
def test_a_room_that_says_nothing_is_refused(tmp_path: Path, seconds: float) -> None:
    cell_file, room = write_cell(tmp_path), tmp_path / "room.wav"
    made = noise(16_000, 0.1) if seconds == 1.0 else silence(seconds)
    write_clip(room, Clip(made, 16_000))
    message = refused(("--noise", room), cell_file)
    assert "room.wav" in message
    if seconds:
        assert "silent or shorter than 3 s" in message
        assert "Record half a minute" in message


def test_a_room_that_is_no_sound_is_refused(tmp_path: Path) -> None:
    cell_file, room = write_cell(tmp_path), tmp_path / "room.wav"
    room.write_bytes(b"no sound")
    assert "room.wav" in refused(("--noise", room), cell_file)
    assert "gone.wav" in refused(("--noise", tmp_path / "gone.wav"), cell_file)


def test_every_unfit_voice_sample_is_named_at_once(tmp_path: Path) -> None:
    cell_file, own, empty = write_cell(tmp_path), tmp_path / "own", tmp_path / "empty"
    own.mkdir()
    empty.mkdir()
    write_clip(own / "teal-1.wav", Clip(around(spoken("teal")), 16_000))
    write_clip(own / "tael-1.wav", Clip(around(spoken("teal")), 16_000))
    write_clip(own / "pause-1.wav", Clip(silence(1), 16_000))
    (own / "notes.txt").write_text("not a sound", encoding="utf-8")
    arguments = ("--voice-samples", own, "--voice-samples", empty,
                 "--voice-samples", tmp_path / "gone")  # fmt: skip
    message = refused(arguments, cell_file)
    assert "'tael' is no phrase of this cell. Did you mean 'teal'?" in message
    assert "pause-1.wav: Nothing is said in it." in message
    assert f"{empty}: No sound files are there." in message
    assert "gone: No sound files are there." in message
    assert "teal-1.wav" not in message
    assert "notes.txt" not in message


def test_a_place_that_cannot_be_written_is_told_before_the_work(tmp_path: Path) -> None:
    cell_file = write_cell(tmp_path)
    for out in (tmp_path / "gone" / "a.onnx", tmp_path, cell_file / "a.onnx"):
        message = refused(("--out", out), cell_file)
        assert str(out) in message
        assert "cannot be written" in message


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("table: small table", "table: t\nrecogniser: {kind: vosk}", "this cell has vosk"),
        ("language: en", "language: ko", "is in 'ko'"),
    ],
)
def test_a_cell_that_cannot_have_one_is_told_so(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    cell_file = write_cell(tmp_path)
    for path in (cell_file, tmp_path / "book.yaml"):
        path.write_text(path.read_text("utf-8").replace(old, new), encoding="utf-8")
    assert told in refused((), cell_file)
    result = tablevoice("check", cell_file)
    assert "tablevoice tune" not in result.output
