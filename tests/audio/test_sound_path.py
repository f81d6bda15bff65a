"""The loudspeaker and the microphone on a real sound server, from sample to sample."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import chirp, correlate

from tablevoice.acoustics.levels import peak, rms_dbfs
from tablevoice.acoustics.noise import shop_noise
from tablevoice.audio.clip_files import read_clip, to_rate, write_clip
from tablevoice.model import Clip, Samples
from tests.sound_path import SoundServer

pytestmark = pytest.mark.sound_server

NOTHING: Mapping[str, Callable[[], None]] = {}


def run(
    folder: Path,
    clip: Clip,
    scenario: str,
    environment: dict[str, str],
    at_word: Mapping[str, Callable[[], None]] = NOTHING,
) -> tuple[Samples, dict[str, Any]]:
    """Play a clip in a child process; its recording at 16 kHz and its report."""
    write_clip(folder / "in.wav", clip)
    with (folder / "stderr.txt").open("wb") as errors:
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.audio.play_and_record", str(folder), scenario],
            env=environment,
            cwd=Path(__file__).parents[2],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
        assert child.stdout is not None
        try:
            with child.stdout:
                for line in child.stdout:
                    if line.strip() in at_word:
                        at_word[line.strip()]()
            code = child.wait(timeout=120)
        finally:
            child.kill()
            child.wait()
    text = (folder / "stderr.txt").read_text(errors="replace")
    assert code == 0, text[-3000:]
    return read_clip(folder / "out.wav").samples, json.loads((folder / "report.json").read_text())


def tone(frequency_hz: float, seconds: float, rate_hz: int, level: float = 0.4) -> Clip:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return Clip((level * np.sin(2 * np.pi * frequency_hz * time_s)).astype(np.float32), rate_hz)


def aligned(recording: Samples, original: Samples) -> tuple[float, int]:
    """Best normalised cross-correlation of the original in the recording, and where."""
    found = correlate(recording, original, mode="valid", method="fft")
    energy = np.cumsum(np.concatenate([[0.0], np.square(recording, dtype=np.float64)]))
    windows = energy[len(original) :] - energy[: -len(original)]
    scale = np.sqrt(np.maximum(windows, 1e-6) * float(np.sum(np.square(original))))
    likeness = found / scale
    at = int(np.argmax(likeness))
    return float(likeness[at]), at


def assert_neighbours(report: dict[str, Any], n: int = 512) -> None:
    starts = report["starts"]
    assert starts == list(range(starts[0], starts[0] + n * len(starts), n))
    assert report["dropped"] == 0


def test_a_440_hz_tone_comes_back_at_440_hz(
    tmp_path: Path, pulse_environment: dict[str, str]
) -> None:
    recording, report = run(tmp_path, tone(440.0, 1.5, 22_050), "whole", pulse_environment)
    loud = np.flatnonzero(np.abs(recording) > 0.2)
    middle = recording[loud[0] + 1_600 : loud[-1] - 1_600]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle)), 1 << 18))
    assert float(np.argmax(spectrum)) * 16_000 / (1 << 18) == pytest.approx(440.0, abs=0.5)
    assert rms_dbfs(middle) == pytest.approx(20 * np.log10(0.4 / np.sqrt(2)), abs=0.5)
    assert [word for word, _ in report["told"]] == ["started", "ended"]
    started_s, ended_s = (moment for _, moment in report["told"])
    assert ended_s - started_s == pytest.approx(1.5, abs=0.5)


@pytest.mark.parametrize(
    ("rate_hz", "scenario"), [(22_050, "whole"), (48_000, "whole"), (24_000, "native rate")]
)
def test_a_played_clip_is_recorded_as_it_was(
    tmp_path: Path, pulse_environment: dict[str, str], rate_hz: int, scenario: str
) -> None:
    clip = shop_noise(2.0, rate_hz, 4, level_dbfs=-20.0, mix_db={"babble": 0.0, "air": -6.0})
    recording, report = run(tmp_path, clip, scenario, pulse_environment)
    likeness, at = aligned(recording, to_rate(clip, 16_000).samples)
    assert likeness > 0.9
    assert_neighbours(report)
    # the reference is the end of what was played, where it was recorded (and told) to be
    reference = read_clip(tmp_path / "reference.wav").samples
    ref_likeness, ref_at = aligned(recording, reference[4_000:])
    assert ref_likeness > 0.9
    block, offset = divmod(ref_at + 12_000, 512)
    heard_s = report["times_s"][block] + offset / 16_000
    assert report["reference_end_s"] == pytest.approx(heard_s, abs=0.25)
    assert report["asked_s"] < report["times_s"][at // 512] + 0.25


def test_a_sweep_has_no_gap_and_blocks_are_neighbours(
    tmp_path: Path, pulse_environment: dict[str, str]
) -> None:
    # no higher than 1.2 kHz: there, half a sample of delay costs 3 % of the likeness at most
    time_s = np.arange(3 * 48_000) / 48_000
    sweep = Clip((0.4 * chirp(time_s, 150.0, 3.0, 1_200.0)).astype(np.float32), 48_000)
    recording, report = run(tmp_path, sweep, "whole", pulse_environment)
    assert_neighbours(report)
    original = to_rate(sweep, 16_000).samples
    likeness, at = aligned(recording, original)
    assert likeness > 0.95
    heard = recording[at : at + len(original)]
    # every tenth of a second lines up on its own at the same place: nothing lost, nothing twice
    for first in range(0, len(original) - 1_600, 1_600):
        piece = slice(first, first + 1_600)
        assert float(np.corrcoef(heard[piece], original[piece])[0, 1]) > 0.9


def test_a_cut_stops_it_at_once_and_without_a_click(
    tmp_path: Path, pulse_environment: dict[str, str]
) -> None:
    recording, report = run(tmp_path, tone(200.0, 8.0, 48_000), "cut", pulse_environment)
    assert report["cut"] is True
    assert report["cut_again"] is False
    assert [word for word, _ in report["told"]] == ["started", "cut"]
    assert report["cut_took_s"] < 1.5
    loud = np.flatnonzero(np.abs(recording) > 0.002)
    assert loud[-1] - loud[0] < 4 * 16_000
    assert peak(recording[loud[-1] + 1 :]) <= 0.002
    # the steepest step of the tone itself, and what the fade may add (half a cosine in 10 ms);
    # a hard cut at the crest would step by 0.4
    steepest = 0.4 * 2 * np.pi * 200 / 16_000 + 0.4 * np.pi / 2 / 160
    tail = recording[loud[0] + 1_600 : loud[-1] + 400]
    assert float(np.abs(np.diff(tail)).max()) <= 1.1 * steepest
    # and the fade is there: the last 5 ms before silence are far below the tone
    assert peak(recording[loud[-1] - 40 : loud[-1] + 1]) < 0.2


def test_a_new_clip_cuts_the_old_one(tmp_path: Path, pulse_environment: dict[str, str]) -> None:
    _, report = run(tmp_path, tone(300.0, 1.0, 16_000), "replace", pulse_environment)
    assert [word for word, _ in report["first"]] == ["started", "cut"]
    assert [word for word, _ in report["told"]] == ["started", "ended"]


def test_a_reader_that_sleeps_loses_the_oldest_and_it_is_counted(
    tmp_path: Path, pulse_environment: dict[str, str]
) -> None:
    _, report = run(tmp_path, tone(300.0, 6.0, 16_000), "slow reader", pulse_environment)
    assert report["unread_dropped"] > 0
    assert report["unread_first"] >= report["unread_dropped"] * 512
    assert_neighbours(report)


@pytest.mark.usefixtures("sound_server")  # skips where the parts are missing
def test_a_killed_sound_server_is_reported_and_it_plays_again_afterwards(tmp_path: Path) -> None:
    server = SoundServer(tmp_path / "server")
    server.start()
    try:
        clip = shop_noise(2.0, 24_000, 4, level_dbfs=-20.0, mix_db={"babble": 0.0})
        recording, report = run(
            tmp_path,
            clip,
            "lost",
            server.environment,
            {"PLAYING": server.kill, "LOST": server.start},
        )
    finally:
        server.stop()
    assert [word for word, _ in report["first"]] == ["started", "cut"]
    assert len(report["problems"]) == 1
    assert "loudspeaker is gone" in report["problems"][0]
    assert [word for word, _ in report["told"]] == ["started", "ended"]
    assert report["losses"] == [1, 1]
    likeness, _ = aligned(recording[report["after"] * 512 :], to_rate(clip, 16_000).samples)
    assert likeness > 0.9
    # the count of samples leaps over the time without a microphone, once, and forwards
    leaps = np.diff(report["starts"]) - 512
    assert int(np.count_nonzero(leaps)) == 1
    assert int(leaps.max()) > 1_600
    assert bool((np.diff(report["times_s"]) > 0.0).all())
