"""Prepared lines: found again, never wrong, bounded, shared, and gone on without a disk."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice.errors import EngineFailed, StoreUnwritable
from tablevoice.model import Clip, Voice
from tablevoice.speech.engines import Engine
from tablevoice.speech.store import PreparedStore, line_key
from tablevoice.speech.trimming import LEAD_MS, SPEECH_DBFS, TAIL_MS, trim
from tests.speech.store_writer import KEYS, clip_of, is_clip_of, key_of

ALDER = Voice("Alder", voice="en-gb+m3", rate_wpm=150, pitch=40)


def entries(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.flac"))


def test_the_key_holds_everything_that_shapes_the_sound() -> None:
    key = line_key("Amber.", ALDER, "espeak 1.52")
    others = [
        line_key("Amber", ALDER, "espeak 1.52"),
        line_key("Amber.", ALDER, "espeak 1.53"),
        *(
            line_key("Amber.", changed, "espeak 1.52")
            for changed in (
                replace(ALDER, engine="system"),
                replace(ALDER, voice="en-gb+m4"),
                replace(ALDER, rate_wpm=151),
                replace(ALDER, pitch=41),
                replace(ALDER, gain_db=1.0),
            )
        ),
    ]
    assert len({key, *others}) == 1 + len(others)
    assert line_key("Amber.", replace(ALDER, name="Briar"), "espeak 1.52") == key
    assert line_key("Amber.", replace(ALDER, gain_db=0), "espeak 1.52") == key


def test_a_line_is_rendered_once_and_then_found(engine: Engine, tmp_path: Path) -> None:
    first = PreparedStore(tmp_path, 10).clip_for("Amber, please.", ALDER, engine)
    reopened = PreparedStore(tmp_path, 10)
    with Engine() as asleep:
        asleep.version()
        asleep.close()
        again = reopened.clip_for("Amber, please.", ALDER, asleep)
        assert asleep.process_id() is None  # nothing was started for it
    assert again.rate_hz == first.rate_hz
    np.testing.assert_array_equal(again.samples, first.samples)


def test_an_entry_is_a_flac_file_anything_can_play(engine: Engine, tmp_path: Path) -> None:
    clip = PreparedStore(tmp_path, 10).clip_for("Amber, please.", ALDER, engine)
    (file,) = entries(tmp_path)
    info = soundfile.info(file)
    assert (info.format, info.subtype) == ("FLAC", "PCM_16")
    assert (info.samplerate, info.channels, info.frames) == (22_050, 1, len(clip.samples))


def test_the_first_sample_is_speech(engine: Engine) -> None:
    raw = engine.render("Four lights. Call the colour that finishes it.", ALDER)
    clip = trim(raw)
    loud = np.flatnonzero(np.abs(clip.samples) > 10 ** (SPEECH_DBFS / 20))
    assert loud[0] <= clip.rate_hz * (LEAD_MS + 0.1) / 1000
    assert len(clip.samples) - loud[-1] <= clip.rate_hz * (TAIL_MS + 0.1) / 1000 + 1
    assert raw.duration_s - clip.duration_s > 0.2  # espeak-ng 1.52 pads by 0.23 s and more
    # What was taken off was silence.
    assert float(np.sum(raw.samples**2) - np.sum(clip.samples**2)) < 1e-3


@given(st.integers(0, 3_000), st.integers(1, 3_000), st.integers(0, 3_000))
def test_trimming_keeps_all_sound_and_only_margins(before: int, sound: int, after: int) -> None:
    samples = np.concatenate([np.zeros(before), np.full(sound, 0.25), np.zeros(after)])
    clip = trim(Clip(samples.astype(np.float32), 16_000))
    assert int(np.count_nonzero(clip.samples)) == sound
    assert len(clip.samples) == sound + min(before, 32) + min(after, 480)


def test_silence_is_left_alone() -> None:
    silent = Clip(np.zeros(100, dtype=np.float32), 16_000)
    assert len(trim(silent).samples) == 100


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_a_damaged_entry_is_never_played(data: st.DataObject) -> None:
    with TemporaryDirectory() as folder:
        store = PreparedStore(Path(folder), 10, memory_mb=0.0)
        store.put(key_of(1), Clip(clip_of(1).samples[:600], 22_050))
        (file,) = entries(Path(folder))
        whole = file.read_bytes()
        harm: Callable[[bytes], bytes] = data.draw(
            st.one_of(
                st.integers(0, len(whole) - 1).map(lambda at: lambda d: d[:at]),
                st.tuples(st.integers(0, len(whole) - 1), st.integers(1, 255)).map(
                    lambda flip: (
                        lambda d: d[: flip[0]] + bytes([d[flip[0]] ^ flip[1]]) + d[flip[0] + 1 :]
                    )
                ),
                st.binary(max_size=100).map(lambda other: lambda d: other),
            )
        )
        file.write_bytes(harm(whole))
        got = store.get(key_of(1))
        if got is None:
            assert not file.exists()  # taken away, so that it is made anew
        else:  # the harm hit what does not matter
            np.testing.assert_allclose(got.samples, clip_of(1).samples[:600], atol=2e-5)
            assert got.rate_hz == 22_050


def test_a_damaged_line_is_made_again(engine: Engine, tmp_path: Path) -> None:
    PreparedStore(tmp_path, 10).clip_for("Amber.", ALDER, engine)
    (file,) = entries(tmp_path)
    whole = file.read_bytes()
    for harmed in (b"", whole[:1000], whole[:-1], b"RIFF" + whole[4:]):
        file.write_bytes(harmed)
        assert PreparedStore(tmp_path, 10).clip_for("Amber.", ALDER, engine).duration_s > 0.2
        with soundfile.SoundFile(file) as sound:
            assert sound.frames > 5_000


def test_memory_is_bounded_and_keeps_what_was_used_last(tmp_path: Path) -> None:
    store = PreparedStore(None, 0, memory_mb=0.1)  # room for five clips of 20 kB
    clips = {f"{n:064x}": clip_of(20) for n in range(8)}
    for key, clip in clips.items():
        store.put(key, clip)
        assert store.get(key_of(0)) is not None  # used again and again
        assert store.memory_bytes <= 100_000
    assert [n for n in range(8) if store.has(key_of(n))] == [0, 4, 5, 6, 7]
    assert list(tmp_path.iterdir()) == []


def test_the_disk_is_bounded_and_keeps_what_was_used_last(tmp_path: Path) -> None:
    store = PreparedStore(tmp_path, 0.2, memory_mb=0.0)
    for number in range(KEYS):
        store.put(key_of(number), clip_of(number))
        used = tmp_path / f"{key_of(number)}.flac"
        os.utime(used, (1_000_000 + number, 1_000_000 + number))  # a day has 86,400 of these
        assert store.get(key_of(0)) is not None  # reading makes it young
        assert store.disk_bytes <= 200_000
    left = [number for number in range(KEYS) if store.has(key_of(number))]
    assert left[0] == 0
    assert left[1:] == list(range(left[1], KEYS))
    assert len(left) >= 5


def test_a_smaller_bound_takes_effect_on_opening(tmp_path: Path) -> None:
    store = PreparedStore(tmp_path, 10)
    for number in range(10):
        store.put(key_of(number), clip_of(number))
    assert PreparedStore(tmp_path, 0.05).disk_bytes <= 50_000


def test_what_a_killed_writer_left_is_cleared_when_old(tmp_path: Path) -> None:
    (tmp_path / "old.tmp").write_bytes(b"half")
    (tmp_path / "young.tmp").write_bytes(b"half")
    os.utime(tmp_path / "old.tmp", (1_000_000, 1_000_000))
    PreparedStore(tmp_path, 10)
    assert [path.name for path in tmp_path.iterdir()] == ["young.tmp"]


# --- processes --------------------------------------------------------------------


def writer(folder: Path, max_mb: float, rounds: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.speech.store_writer", str(folder), str(max_mb)]
    return subprocess.Popen([*command, str(rounds)], stdout=subprocess.PIPE, text=True)


def test_processes_share_a_store(tmp_path: Path) -> None:
    """Three at once, on the same keys, in a store too small for all of them."""
    writers = [writer(tmp_path, 0.3, 120) for _ in range(3)]
    for process in writers:
        said, _ = process.communicate(timeout=120)
        assert (process.returncode, said) == (0, "open\n")
    assert list(tmp_path.glob("*.tmp")) == []
    store = PreparedStore(tmp_path, 0.3, memory_mb=0.0)
    assert 0 < store.disk_bytes <= 300_000
    for number in range(KEYS):
        clip = store.get(key_of(number))
        assert clip is None or is_clip_of(number, clip)
    assert len(entries(tmp_path)) >= 5


def test_a_writer_killed_at_any_moment_leaves_no_wrong_entry(tmp_path: Path) -> None:
    for _ in range(5):
        process = writer(tmp_path, 10, 0)
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.15)
        process.kill()
        process.communicate()
    before = entries(tmp_path)
    assert before
    store = PreparedStore(tmp_path, 10, memory_mb=0.0)
    for number in range(KEYS):
        clip = store.get(key_of(number))
        assert clip is None or is_clip_of(number, clip)
    assert entries(tmp_path) == before  # none had to be taken away


# --- no room, no right ------------------------------------------------------------


def test_a_folder_that_cannot_be_is_refused_and_memory_does_instead(
    engine: Engine, tmp_path: Path
) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("not a folder")
    with pytest.raises(StoreUnwritable) as refused:
        PreparedStore(in_the_way / "store", 10)
    assert str(in_the_way) in refused.value.problem.where
    assert "memory" in refused.value.problem.do
    store = PreparedStore(None, 0)
    first = store.clip_for("Amber.", ALDER, engine)
    np.testing.assert_array_equal(store.clip_for("Amber.", ALDER, engine).samples, first.samples)
    assert store.disk_bytes == 0


def test_a_disk_that_turns_unwritable_costs_no_line(engine: Engine, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    store = PreparedStore(folder, 10)
    store.clip_for("Amber.", ALDER, engine)
    for file in folder.iterdir():
        file.unlink()
    folder.rmdir()
    folder.write_text("not a folder any more")
    assert store.clip_for("Amber.", ALDER, engine).duration_s > 0.2  # from memory
    assert store.clip_for("Violet.", ALDER, engine).duration_s > 0.2  # made, and kept in memory
    problem = store.problem
    assert problem is not None
    assert "Make room" in problem.do
    assert store.has(line_key("Violet.", ALDER, engine.version()))
    folder.unlink()
    store.clip_for("Indigo.", ALDER, engine)
    assert store.problem is None
    assert len(entries(folder)) == 1


FULL = """
import resource, sys
from pathlib import Path
from tablevoice.errors import StoreUnwritable
from tablevoice.speech.store import PreparedStore
from tests.speech.store_writer import clip_of, is_clip_of, key_of
store = PreparedStore(Path(sys.argv[1]), 10)
store.put(key_of(1), clip_of(1))
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
try:
    store.put(key_of(2), clip_of(2))
except StoreUnwritable as error:
    kept = store.get(key_of(2))
    print(kept is not None and is_clip_of(2, kept), "Make room" in error.problem.do)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX resource limits")
def test_a_full_disk_is_reported_and_leaves_nothing_half_written(tmp_path: Path) -> None:
    """A limit on file sizes makes the same write fail half-way that a full disk would."""
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout == "True True\n"
    assert [path.name for path in tmp_path.iterdir()] == [f"{key_of(1)}.flac"]


def test_what_cannot_be_rendered_is_not_stored(engine: Engine, tmp_path: Path) -> None:
    store = PreparedStore(tmp_path, 10)
    with pytest.raises(EngineFailed):
        store.clip_for("...", ALDER, engine)
    assert entries(tmp_path) == []
