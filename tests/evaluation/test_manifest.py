"""The manifest and its sidecars: what is read, and that every mistake is told at once, by line."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import soundfile

from tablevoice.audio.clip_files import write_clip
from tablevoice.errors import FileRefused
from tablevoice.evaluation.manifest import read_manifest
from tablevoice.model import Clip
from tests.evaluation.recordings import MEANINGS, silence, write_manifest


def sound(path: Path, seconds: float = 1.0, rate_hz: int = 16_000) -> Path:
    write_clip(path, Clip(silence(seconds, rate_hz), rate_hz))
    return path


def refused(path: Path) -> list[str]:
    with pytest.raises(FileRefused) as caught:
        read_manifest(path, MEANINGS)
    return [str(problem) for problem in caught.value.problems]


def test_recordings_come_in_order_with_their_extra_columns(tmp_path: Path) -> None:
    first, second = sound(tmp_path / "a.wav"), sound(tmp_path / "b.flac", 2.0, 44_100)
    manifest = write_manifest(
        tmp_path / "m.csv",
        [("a.wav", "Stop, now!", "Ann, the first", "loud", "x"), ("b.flac", "", "", "", "y")],
        ("path", "expected", "speaker", "condition", "family"),
    )
    one, two = read_manifest(manifest, MEANINGS)
    assert (one.path, one.speaker, one.condition, one.line) == (first, "Ann, the first", "loud", 2)
    assert [(word.phrase, word.meaning) for word in one.words] == [("stop now", "stop")]
    assert one.column("family") == "x"
    assert two.words == ()
    assert two.duration_s == pytest.approx(2.0)
    assert two.content == hashlib.sha256(second.read_bytes()).hexdigest()


def test_a_byte_order_mark_stereo_and_blank_lines_are_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "s.wav", silence(1.0).reshape(-1, 2), 8_000)
    manifest = tmp_path / "m.csv"
    text = "path,expected,speaker,condition\n\ns.wav,teal,Ann,\n\n"
    manifest.write_bytes(b"\xef\xbb\xbf" + text.encode())
    (one,) = read_manifest(manifest, MEANINGS)
    assert one.duration_s == pytest.approx(1.0)


def test_times_of_several_words_come_from_a_sidecar(tmp_path: Path) -> None:
    sound(tmp_path / "long.wav", 10.0)
    sound(tmp_path / "other.wav", 10.0)
    rows = "start_s,end_s,expected\n1,1.5,teal\n4,4.6,pause\n"
    (tmp_path / "long.wav.words.csv").write_text(rows)
    (tmp_path / "elsewhere.csv").write_text("start_s,end_s,expected\n2,3,Violet\n")
    manifest = write_manifest(
        tmp_path / "m.csv",
        [("long.wav", "", "Ann", "", ""), ("other.wav", "", "Ann", "", "elsewhere.csv")],
        ("path", "expected", "speaker", "condition", "words"),
    )
    one, two = read_manifest(manifest, MEANINGS)
    assert [(word.meaning, word.start_s, word.end_s) for word in one.words] == [
        ("teal", 1.0, 1.5), ("pause", 4.0, 4.6),
    ]  # fmt: skip
    assert [word.phrase for word in two.words] == ["violet"]


def test_every_mistake_is_told_with_its_line_and_column(tmp_path: Path) -> None:
    sound(tmp_path / "a.wav")
    sound(tmp_path / "b.wav")
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("this is no sound")
    manifest = write_manifest(
        tmp_path / "m.csv",
        [
            ("a.wav", "tael", "Ann", ""),
            ("missing.wav", "teal", "Ann", ""),
            ("text.wav", "", "Ann", ""),
            ("", "teal", "Ann", ""),
            ("b.wav", "teal", "Ann"),
            ("empty.wav", "", "Ann", ""),
            ("b.wav", "teal", "Ann", ""),
            ("b.wav", "teal", "Ann", ""),
        ],
    )
    found = refused(manifest)
    assert len(found) == 7
    assert f"{manifest}:2, column expected: 'tael' is no phrase" in found[0]
    assert "Did you mean 'teal'?" in found[0]
    for line, text in zip(found, (
        ":2, column expected", ":3, column path: there is no file", ":4, column path: 'text.wav' is"
        " not a sound file", ":5, column path: the path is empty", ":6: the line has 3 values",
        ":7, column path: 'empty.wav'", ":9, column path: 'b.wav' stands in line 8 already",
    ), strict=True):  # fmt: skip
        assert text in line


def test_mistakes_of_a_sidecar_are_told_too(tmp_path: Path) -> None:
    sound(tmp_path / "a.wav", 5.0)
    sidecar = tmp_path / "a.words.csv"
    sidecar.write_text(
        "start_s,end_s,expected\n1,0.5,teal\n1,2,teal\n1.5,2.5,pause\n3,3.5,pose\n4,9,stop\nnan,1,stop\n"
    )
    found = refused(write_manifest(tmp_path / "m.csv", [("a.wav", "", "Ann", "")]))
    assert [line.split(": ", 1)[0].removeprefix(str(sidecar)) for line in found] == [
        ":2, columns start_s and end_s", ":4, column start_s", ":5, column expected",
        ":6, column end_s", ":7, columns start_s and end_s",
    ]  # fmt: skip
    both = refused(write_manifest(tmp_path / "m.csv", [("a.wav", "teal", "Ann", "")]))
    assert "there is a file of words too (a.words.csv)" in both[0]


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "the file is empty"),
        (b"path,expected,speaker,condition\n", "lists no recordings"),
        (b"path;expected;speaker;condition\n", "there is no column 'path'"),
        (b"path,expected,speaker,condition,path\n", "two columns 'path'"),
        (b"path,expected,speaker,condition\na\xff.wav,,,\n", "m.csv:2: the text is not UTF-8"),
        (b'path,expected,speaker,condition\n"a.wav,,,\n', "this is not CSV"),
        (b"path,expected,speaker,condition\na\0.wav,,,\n", "m.csv:2"),
    ],
)
def test_a_file_that_is_no_manifest_gets_one_clear_error(
    tmp_path: Path, data: bytes, told: str
) -> None:
    (tmp_path / "m.csv").write_bytes(data)
    found = refused(tmp_path / "m.csv")
    assert len(found) == 1
    assert told in found[0]
    missing = refused(tmp_path / "nothing.csv")
    assert "cannot be read" in missing[0]
