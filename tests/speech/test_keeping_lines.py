"""What the store keeps and what preparing makes again: by content, bounded, shared, mended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tablevoice import markup
from tablevoice.errors import Problem
from tablevoice.markup import Pieces
from tablevoice.model import Pronunciation, Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.loudness import Loudness, integrated_lufs
from tablevoice.speech.preparing import Prepared, prepare
from tablevoice.speech.store import PreparedStore, line_key
from tests.speech.store_writer import clip_of, key_of

VOICES = {
    "Alder": Voice("Alder", voice="en-gb+m3", rate_wpm=150),
    "Briar": Voice("Briar", voice="en-us+f3"),
}
TEXTS = ["Call zaffre.", "Call teal, not zaffre!", "Four lights.", "Five _lights_ | now."]


def lines(
    texts: list[str], entries: dict[str, Pronunciation] | None = None
) -> list[tuple[Pieces, str]]:
    return [
        (markup.pronounced(markup.parse(text), entries or {}), arm)
        for text in texts
        for arm in VOICES
    ]


def opened(folder: Path, max_mb: float = 50.0, target_lufs: float = -21.0) -> PreparedStore:
    return PreparedStore(folder, max_mb, loudness=Loudness(target_lufs))


def counts(prepared: Prepared) -> tuple[int, int, int]:
    assert prepared.problems == ()
    return prepared.made, prepared.kept, prepared.damaged


# --- by content -------------------------------------------------------------------


def test_only_what_a_change_touches_is_made_again(engine: Engine, tmp_path: Path) -> None:
    made = prepare(lines(TEXTS), VOICES, engine, opened(tmp_path))
    assert counts(made) == (8, 0, 0)
    assert made.made_s > 8 * 0.4
    again = prepare(lines(TEXTS), VOICES, engine, opened(tmp_path))
    assert counts(again) == (0, 8, 0)
    edited = [*TEXTS[:3], "Five lights | now."]  # its emphasis alone went
    assert counts(prepare(lines(edited), VOICES, engine, opened(tmp_path))) == (2, 6, 0)
    pronounced = lines(TEXTS, {"zaffre": Pronunciation("ˈzæfə")})
    assert counts(prepare(pronounced, VOICES, engine, opened(tmp_path))) == (4, 4, 0)
    slower = {**VOICES, "Briar": Voice("Briar", voice="en-us+f3", rate_wpm=120)}
    assert counts(prepare(lines(TEXTS), slower, engine, opened(tmp_path))) == (4, 4, 0)
    quieter = prepare(lines(TEXTS), VOICES, engine, opened(tmp_path, target_lufs=-26.0))
    assert counts(quieter) == (8, 0, 0)


def test_plain_words_and_their_piece_are_one_entry() -> None:
    alder = VOICES["Alder"]
    assert line_key("Amber.", alder, "1") == line_key((markup.Words("Amber."),), alder, "1")
    keys = {
        line_key(said, alder, "1", loudness)
        for said in ("Amber.", markup.parse("_Amber_."), markup.parse("Amber | now."))
        for loudness in (None, Loudness(), Loudness(-23.0), Loudness(-21.0, -2.0))
    }
    assert len(keys) == 12


def test_another_voice_file_of_the_same_name_is_another_voice(tmp_path: Path) -> None:
    keys = []
    for content in (b"one", b"another"):
        folder = tmp_path / content.decode()
        folder.mkdir()
        (folder / "hall.onnx").write_bytes(content)
        voice = Voice("Alder", engine="piper", voice=str(folder / "hall.onnx"))
        keys.append(line_key("Amber.", voice, "1"))
    assert keys[0] != keys[1]


def test_lines_are_stored_at_their_loudness(engine: Engine, tmp_path: Path) -> None:
    store = opened(tmp_path, target_lufs=-26.0)
    prepare(lines(TEXTS), VOICES, engine, store)
    reopened = opened(tmp_path, target_lufs=-26.0)
    for said, arm in lines(TEXTS):
        clip = reopened.prepared(said, VOICES[arm], engine)
        assert clip is not None
        assert integrated_lufs(clip) == pytest.approx(-26.0, abs=0.1)


def test_what_stays_quieter_for_its_peaks_is_told(engine: Engine, tmp_path: Path) -> None:
    """At -9 LUFS under -1 dBTP no speech has room for its peaks."""
    prepared = prepare(lines(TEXTS), VOICES, engine, opened(tmp_path, target_lufs=-9.0))
    assert prepared.held_down == 8
    assert 3.0 < prepared.held_down_db < 20.0


# --- damage -----------------------------------------------------------------------


def test_damage_is_found_by_a_closer_look_and_made_again(engine: Engine, tmp_path: Path) -> None:
    prepare(lines(TEXTS), VOICES, engine, opened(tmp_path))
    files = sorted(tmp_path.glob("*.flac"))
    whole = {file: file.read_bytes() for file in files}
    files[0].write_bytes(b"")
    files[1].write_bytes(whole[files[1]][:-5])
    flipped = bytearray(whole[files[2]])
    flipped[len(flipped) // 2] ^= 0x10
    files[2].write_bytes(bytes(flipped))
    files[3].write_bytes(whole[files[4]])  # an entry of another line: its digest holds
    assert counts(prepare(lines(TEXTS), VOICES, engine, opened(tmp_path))) == (0, 8, 0)
    mended = prepare(lines(TEXTS), VOICES, engine, opened(tmp_path), look_closely=True)
    assert (mended.made, mended.kept, mended.damaged) == (4, 4, 4)
    for said, arm in lines(TEXTS):
        key = opened(tmp_path).key_of(said, VOICES[arm], engine)
        assert opened(tmp_path).holds(key)
    lengths = [PreparedStore(tmp_path, 50).get(file.stem) for file in files]
    assert all(clip is not None and clip.duration_s > 0.3 for clip in lengths)


# --- bounds -----------------------------------------------------------------------


def test_what_is_needed_stays_and_what_is_not_goes_first(tmp_path: Path) -> None:
    """The needed ones are the oldest, and would go first by age."""
    store = PreparedStore(tmp_path, 0.3, memory_mb=0.0)
    needed = [key_of(number) for number in range(6)]
    for number in range(6):
        store.put(key_of(number), clip_of(number))
    store.need(needed)
    for number in range(6):
        os.utime(tmp_path / f"{key_of(number)}.flac", (1_000_000, 1_000_000))
    for number in range(6, 40):
        store.put(key_of(number), clip_of(number))
        assert store.problem is None
        assert store.disk_bytes <= 300_000
    assert all(store.has(key) for key in needed)
    assert sum(store.has(key_of(number)) for number in range(6, 40)) < 25


def test_a_needed_line_does_not_go_without_being_told(tmp_path: Path) -> None:
    store = PreparedStore(tmp_path, 0.2, memory_mb=0.0)
    store.need([key_of(number) for number in range(40)])
    told: list[Problem] = []
    for number in range(40):
        store.put(key_of(number), clip_of(number))
        assert store.disk_bytes <= 200_000
        if store.problem is not None:
            told.append(store.problem)
    gone = sum(not store.has(key_of(number)) for number in range(40))
    assert gone > 20
    said = sum(int(problem.what.split(": ")[1].split()[0]) for problem in told)
    assert said == gone
    assert "max_mb" in told[0].do


def test_preparing_marks_its_lines_as_used(engine: Engine, tmp_path: Path) -> None:
    """So that another process, which does not know them, takes others first."""
    prepare(lines(TEXTS), VOICES, engine, opened(tmp_path))
    for file in tmp_path.glob("*.flac"):
        os.utime(file, (1_000_000, 1_000_000))
    (tmp_path / f"{'0' * 64}.flac").write_bytes(b"x" * 1000)
    os.utime(tmp_path / f"{'0' * 64}.flac", (2_000_000, 2_000_000))
    prepare(lines(TEXTS[:2]), VOICES, engine, opened(tmp_path))
    young = [file for file in tmp_path.glob("*.flac") if file.stat().st_mtime > 3_000_000]
    assert len(young) == 4


# --- two processes ----------------------------------------------------------------

PREPARING = """
import sys
from pathlib import Path
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.loudness import Loudness
from tablevoice.speech.preparing import prepare
from tablevoice.speech.store import PreparedStore
voices = {"Alder": Voice("Alder", voice="en-gb+m3", rate_wpm=150)}
texts = [(f"Light {number} is on, and {number + 1} to go.", "Alder") for number in range(60)]
with Engine() as engine:
    engine.version()
    store = PreparedStore(Path(sys.argv[1]), 50, loudness=Loudness())
    print("open", flush=True)
    done = prepare(texts, voices, engine, store, lambda done, of: print(done, flush=True))
    assert not done.problems, done.problems
    print("made", done.made, done.kept, flush=True)
"""


def preparing(folder: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", PREPARING, str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    return process


def until(process: subprocess.Popen[str], done: int) -> None:
    """Read until so many lines are prepared."""
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip() == str(done):
            return
    raise AssertionError("it ended before")


def outcome(process: subprocess.Popen[str]) -> tuple[int, int]:
    """How many it made and how many were there, once it is through."""
    assert process.stdout is not None
    *_, last = process.stdout
    assert process.wait(timeout=60) == 0
    made, kept = map(int, last.split()[1:])
    return made, kept


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_two_prepare_at_once_and_one_is_killed_in_the_middle(
    engine: Engine, tmp_path: Path
) -> None:
    first, second = preparing(tmp_path), preparing(tmp_path)
    until(first, 15)
    os.kill(first.pid, signal.SIGKILL)
    first.wait()
    made, kept = outcome(second)
    assert made + kept == 60
    third = preparing(tmp_path)
    assert outcome(third) == (0, 60)
    # Every entry is whole, and what the killed one left half-written is in nobody's way.
    store = PreparedStore(tmp_path, 50)
    keys = [file.stem for file in tmp_path.glob("*.flac")]
    assert len(keys) == 60
    assert all(store.holds(key) for key in keys)
    now_s = time.time()
    for left in tmp_path.glob("*.tmp"):
        os.utime(left, (now_s - 7200, now_s - 7200))
    PreparedStore(tmp_path, 50)
    assert list(tmp_path.glob("*.tmp")) == []


def test_both_find_the_same_samples(engine: Engine, tmp_path: Path) -> None:
    alder = VOICES["Alder"]
    ours = opened(tmp_path).clip_for("Light 3 is on.", alder, engine)
    theirs = opened(tmp_path).prepared("Light 3 is on.", alder, engine)
    assert theirs is not None
    np.testing.assert_array_equal(ours.samples, theirs.samples)
