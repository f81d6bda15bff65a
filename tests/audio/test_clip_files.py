"""Sound files: what goes out comes back, and every broken file gets one clear error."""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from tablevoice.audio.clip_files import ClipWriter, read_clip, to_rate, write_clip
from tablevoice.errors import AudioUnavailable
from tablevoice.model import Clip, Samples


def tone(frequency_hz: float, seconds: float, rate_hz: int, level: float = 0.5) -> Clip:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return Clip((level * np.sin(2 * np.pi * frequency_hz * time_s)).astype(np.float32), rate_hz)


def assert_says_all(error: AudioUnavailable, path: Path) -> None:
    assert error.problem.what
    assert str(path) in error.problem.where
    assert error.problem.do


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, 44_100, 48_000])
def test_a_written_clip_comes_back(tmp_path: Path, name: str, rate_hz: int) -> None:
    clip = tone(440.0, 0.5, rate_hz)
    write_clip(tmp_path / name, clip)
    back = read_clip(tmp_path / name)
    assert back.rate_hz == rate_hz
    assert back.samples.dtype == np.float32
    assert len(back.samples) == len(clip.samples)
    assert float(np.abs(back.samples - clip.samples).max()) <= 1.0 / 32_768 + 1e-7
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_wav_of_the_standard_library_reads_the_same(tmp_path: Path) -> None:
    """Outside writer: Python's own ``wave`` module, stereo; the mean of both sides comes back."""
    left = np.arange(-8_000, 8_000, dtype=np.int16)
    right = np.full(16_000, 4_000, dtype=np.int16)
    with wave.open(str(tmp_path / "stereo.wav"), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(11_025)
        file.writeframes(np.stack([left, right], axis=1).astype("<i2").tobytes())
    back = read_clip(tmp_path / "stereo.wav")
    expected = (left / 32_768 + right / 32_768) / 2
    assert back.rate_hz == 11_025
    np.testing.assert_allclose(back.samples, expected, atol=1e-6)


def test_what_we_write_is_read_by_the_standard_library(tmp_path: Path) -> None:
    clip = tone(300.0, 0.25, 24_000)
    write_clip(tmp_path / "a.wav", clip)
    with wave.open(str(tmp_path / "a.wav"), "rb") as file:
        assert (file.getnchannels(), file.getframerate(), file.getsampwidth()) == (1, 24_000, 2)
        read = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / 32_768
    np.testing.assert_allclose(read, clip.samples, atol=1.0 / 32_768 + 1e-7)


def _missing(path: Path) -> None:
    path.unlink(missing_ok=True)


def _folder(path: Path) -> None:
    path.mkdir()


def _text(path: Path) -> None:
    path.write_text("this is no sound\n" * 40)


def _nothing(path: Path) -> None:
    path.write_bytes(b"")


def _header_only(path: Path) -> None:
    soundfile.write(path, np.zeros(0, np.float32), 16_000)


def _cut_wav(path: Path) -> None:
    write_clip(path, tone(440.0, 1.0, 16_000))
    path.write_bytes(path.read_bytes()[:9_001])


def _cut_in_the_header(path: Path) -> None:
    write_clip(path, tone(440.0, 1.0, 16_000))
    path.write_bytes(path.read_bytes()[:30])


def _cut_flac(path: Path) -> None:
    write_clip(path.with_suffix(".flac"), tone(440.0, 3.0, 16_000))
    whole = path.with_suffix(".flac").read_bytes()
    path.write_bytes(whole[: len(whole) // 2])


def _not_a_number(path: Path) -> None:
    samples = np.zeros(1_000, np.float32)
    samples[500] = np.nan
    soundfile.write(path, samples, 16_000, subtype="FLOAT")


def _infinite(path: Path) -> None:
    samples = np.zeros(1_000, np.float32)
    samples[500] = np.inf
    soundfile.write(path, samples, 16_000, subtype="FLOAT")


def _beyond_full_scale(path: Path) -> None:
    soundfile.write(path, np.full(1_000, 3.0, np.float32), 16_000, subtype="FLOAT")


def _absurd_rate(path: Path) -> None:
    soundfile.write(path, np.zeros(1_000, np.float32), 7)


@pytest.mark.parametrize(
    "make",
    [
        _missing,
        _folder,
        _text,
        _nothing,
        _header_only,
        _cut_wav,
        _cut_in_the_header,
        _cut_flac,
        _not_a_number,
        _infinite,
        _beyond_full_scale,
        _absurd_rate,
    ],
)
def test_a_broken_file_gets_one_clear_error(tmp_path: Path, make: object) -> None:
    path = tmp_path / "broken.wav"
    assert callable(make)
    make(path)
    with pytest.raises(AudioUnavailable) as caught:
        read_clip(path)
    assert_says_all(caught.value, path)


def test_a_huge_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    """A sparse two-gigabyte WAV: its length alone refuses it, no memory is taken for it."""
    path = tmp_path / "huge.wav"
    length = 2_000_000_000
    header = struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        *(b"RIFF", length + 36, b"WAVE", b"fmt ", 16, 1, 1, 16_000, 32_000, 2, 16),
        *(b"data", length),
    )
    with path.open("wb") as file:
        file.write(header)
        file.truncate(length + len(header))
    with pytest.raises(AudioUnavailable, match="62500 s"):
        read_clip(path)


def test_a_wav_from_a_pipe_reads_to_its_end(tmp_path: Path) -> None:
    """Programs that stream a WAV cannot know its size and leave 0x7FFFFFFF-like ones."""
    path = tmp_path / "piped.wav"
    write_clip(path, tone(440.0, 0.5, 16_000))
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", 0x7FFF_F000)
    content[4:8] = struct.pack("<I", 0x7FFF_F024)
    path.write_bytes(bytes(content))
    assert read_clip(path).duration_s == pytest.approx(0.5)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_damaged_bytes_give_a_clip_or_our_error(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "damaged.wav"
    write_clip(path, tone(440.0, 0.05, 16_000))
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, 60))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(content[: data.draw(st.integers(0, len(content)))]))
    try:
        clip = read_clip(path)
    except AudioUnavailable as error:
        assert_says_all(error, path)
    else:
        assert clip.samples.ndim == 1
        assert bool(np.isfinite(clip.samples).all())
        assert float(np.abs(clip.samples).max()) <= 1.0


def test_an_unwritable_place_and_an_unknown_kind_are_refused(tmp_path: Path) -> None:
    clip = tone(440.0, 0.1, 16_000)
    for path in (tmp_path / "no such folder" / "a.wav", tmp_path / "a.pancake", tmp_path / "a"):
        with pytest.raises(AudioUnavailable) as caught:
            write_clip(path, clip)
        assert_says_all(caught.value, path)
    assert list(tmp_path.iterdir()) == []


def test_a_file_appears_only_when_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "session.wav"
    write_clip(path, tone(100.0, 0.1, 16_000))
    before = path.read_bytes()
    unfinished = ClipWriter(path, 16_000)
    unfinished.append(np.zeros(16_000, np.float32))
    assert path.read_bytes() == before  # as it would be found after a power cut here
    unfinished.close()
    with ClipWriter(path, 16_000) as writer:
        for _ in range(10):
            writer.append(np.full(1_600, 0.25, np.float32))
    assert read_clip(path).duration_s == pytest.approx(1.0)
    with pytest.raises(ValueError, match="not numbers"), ClipWriter(path, 16_000) as failing:
        failing.append(np.array([0.0, np.nan], np.float32))


@pytest.mark.parametrize(
    ("from_hz", "to_hz"), [(22_050, 16_000), (16_000, 24_000), (8_000, 48_000)]
)
def test_resampling_agrees_with_scipy(from_hz: int, to_hz: int) -> None:
    """Outside check: ``scipy.signal.resample_poly``, away from the ends."""
    clip = tone(1_000.0, 1.0, from_hz)
    ours: Samples = to_rate(clip, to_hz).samples
    divisor = int(np.gcd(from_hz, to_hz))
    theirs = resample_poly(clip.samples.astype(np.float64), to_hz // divisor, from_hz // divisor)
    assert abs(len(ours) - len(theirs)) <= 1
    middle = slice(to_hz // 10, -to_hz // 10)
    n = min(len(ours), len(theirs))
    assert float(np.abs(ours[:n][middle] - theirs[:n][middle]).max()) < 0.005
    assert to_rate(clip, from_hz) is clip
