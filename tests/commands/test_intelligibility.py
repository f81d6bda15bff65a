"""``tablevoice intelligibility`` on a small cell: real voices, real files, refused input."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from tablevoice.acoustics.bands import from_band_levels
from tablevoice.acoustics.intelligibility import OCTAVES
from tablevoice.audio.clip_files import write_clip
from tablevoice.cli import app
from tablevoice.commands.room_noise import from_octaves, from_recording
from tablevoice.model import Clip

BOOK = """
format: 1
title: Small
language: en
slots:
  lights: [1, 2]
events:
  lit: {about: Lit., slots: [lights], lines: ["It is lit.", "It has {lights} by now."]}
  teased: {about: Teased., voice: Briar, lines: ["What a lovely string of lanterns you have!"]}
  halted:
    about: Halted.
    priority: warning
    lines:
      - Keep clear.
      - Please keep clear of both of the arms until the operator has been here again.
"""
CELL = """
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3, rate_wpm: 150}
  Briar: {engine: espeak, voice: en-gb+f2, rate_wpm: 180, gain_db: -6}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
"""
QUIET = "250=30,500=28,1000=25,2000=22,4000=18,8000=15"
PUMPS = "125=70,250=71,500=70,1000=68,2000=65,4000=60,8000=52"
HELL = "250=88,500=88,1000=86,2000=84,4000=80,8000=74"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("intelligibility")
    (made / "book.yaml").write_text(BOOK, encoding="utf-8")
    (made / "cell.yaml").write_text(CELL, encoding="utf-8")
    return made


def run(folder: Path, *more: object) -> Result:
    out = folder / "picture.png"
    command = ["intelligibility", folder / "cell.yaml", "--out", out, *more]
    return CliRunner().invoke(app, [str(part) for part in command])


@cache
def found(folder: Path, octaves: str, level: float, *more: object) -> dict[str, Any]:
    result = run(folder, "--octaves", octaves, "--level-at-listener", level, "--json", *more)
    assert result.exit_code == 0, result.output
    report: dict[str, Any] = json.loads(result.stdout)
    return report


def test_a_quiet_room_asks_for_nothing(folder: Path) -> None:
    report = found(folder, QUIET, 68)
    assert {voice["rating"] for voice in report["voices"]} == {"good"}
    assert all(line["index"] >= report["good_from"] for line in report["lines"])
    assert all(warning["stands_out"] for warning in report["warnings"])
    assert [advice["where"] for advice in report["advice"]] == ["event halted"]
    assert (folder / "picture.png").read_bytes().startswith(b"\x89PNG")


def test_every_line_comes_with_every_value_and_the_worst_first(folder: Path) -> None:
    lines = found(folder, PUMPS, 75)["lines"]
    assert {line["text"] for line in lines} >= {"It has 1 by now.", "It has 2 by now."}
    assert len(lines) == 6
    assert [line["index"] for line in lines] == sorted(line["index"] for line in lines)


def test_the_measured_voice_has_the_measured_level_and_the_others_keep_their_distance(
    folder: Path,
) -> None:
    first = {voice["name"]: voice for voice in found(folder, PUMPS, 75)["voices"]}
    other = found(folder, PUMPS, 75, "--measured-with", "Briar")
    second = {voice["name"]: voice for voice in other["voices"]}
    assert first["Alder"]["level_dba"] == second["Briar"]["level_dba"] == 75.0
    apart = first["Alder"]["level_dba"] - first["Briar"]["level_dba"]
    assert second["Alder"]["level_dba"] - 75.0 == pytest.approx(apart, abs=0.11)


def test_the_raise_that_is_advised_does_it(folder: Path) -> None:
    before = found(folder, PUMPS, 70)["voices"][0]
    assert before["rating"] != "good"
    assert before["raise_db"] > 0
    louder = 70 + before["raise_db"]
    assert louder <= 85.0
    after = found(folder, PUMPS, louder)["voices"][0]
    assert after["index"] >= 0.75
    assert found(folder, PUMPS, louder - 1.0)["voices"][0]["index"] < 0.75


def test_no_advice_goes_above_what_is_safe_for_long(folder: Path) -> None:
    report = found(folder, HELL, 80)
    assert all(voice["raise_db"] is None for voice in report["voices"])
    told = " ".join(f"{advice['what']} {advice['do']}" for advice in report["advice"])
    assert "quieten the room" in told
    assert "85" in told
    assert "2003/10/EC" in told or "NIOSH" in told
    assert not any(warning["stands_out"] for warning in report["warnings"])
    assert all(warning["needs_dba"] > 85 for warning in report["warnings"])


def test_warnings_that_drown_or_last_are_named_and_replace_no_signal_device(folder: Path) -> None:
    result = run(folder, "--octaves", PUMPS, "--level-at-listener", 75)
    assert result.exit_code == 0, result.output
    told = " ".join(result.stdout.split())
    assert "ISO 7731" in told
    assert "Warnings that last longer than 3 s: 1 of the 2" in told
    assert "does not replace a signal device" in told
    short = {warning["text"]: warning["short"] for warning in found(folder, PUMPS, 75)["warnings"]}
    assert short["Keep clear."] is True
    assert sum(short.values()) == 1


def test_another_voice_and_a_slower_pace_are_offered_where_they_help(folder: Path) -> None:
    voices = {voice["name"]: voice for voice in found(folder, PUMPS, 70)["voices"]}
    briar = voices["Briar"]
    assert briar["overlong_if_slow"] == 0  # 180 words a minute; no event has a bound
    assert voices["Alder"]["overlong_if_slow"] is None  # slow already
    for voice in voices.values():
        for other in voice["others"]:
            assert other["index"] >= other["instead_of"] + 0.03
            assert other["voice"] != voice["voice"]


def test_octaves_and_a_recording_of_the_same_room_say_the_same(
    folder: Path, tmp_path: Path
) -> None:
    # Noise that is white within each octave, made to measure, then calibrated by its level.
    levels = {250: 66.0, 500: 65.0, 1000: 62.0, 2000: 58.0, 4000: 52.0, 8000: 44.0}
    rate_hz, n = 48_000, 48_000 * 10
    frequency_hz = np.fft.rfftfreq(n, 1 / rate_hz)
    per_hz = from_band_levels(list(levels.values()), OCTAVES) - 90.0
    amplitude = np.zeros(len(frequency_hz))
    for centre, level in zip(levels, per_hz, strict=True):
        inside = (frequency_hz >= centre / 10**0.15) & (frequency_hz < centre * 10**0.15)
        amplitude[inside] = 10 ** (level / 20)
    phases = np.exp(2j * np.pi * np.random.default_rng(3).random(len(amplitude)))
    wave = np.fft.irfft(amplitude * phases, n) * np.sqrt(n * rate_hz / 2)
    write_clip(tmp_path / "room.wav", Clip(wave.astype(np.float32), rate_hz))
    room = from_recording(tmp_path / "room.wav", full_scale_db=90.0)
    by_meter = from_octaves(",".join(f"{hz}={level}" for hz, level in levels.items()))
    assert room.level_dba == pytest.approx(by_meter.level_dba, abs=0.5)
    result = run(
        folder, "--noise", tmp_path / "room.wav", "--noise-level", f"{by_meter.level_dba:.1f}",
        "--level-at-listener", 70, "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    recorded = json.loads(result.stdout)
    assert len(recorded["centres_hz"]) == 18
    octaves = ",".join(f"{hz}={level}" for hz, level in levels.items())
    for voice, same in zip(
        recorded["voices"], found(folder, octaves, 70)["voices"], strict=True
    ):  # the two procedures differ by the spread of masking
        assert voice["index"] == pytest.approx(same["index"], abs=0.08)


def test_a_room_that_is_loud_now_and_then_is_told_of(folder: Path, tmp_path: Path) -> None:
    noise = 0.01 * np.random.default_rng(6).standard_normal(44_100 * 20)
    noise[44_100 * 5 : 44_100 * 7] *= 10.0  # a valve, 20 dB over the rest, a tenth of the time
    write_clip(tmp_path / "room.wav", Clip(noise.astype(np.float32), 44_100))
    result = run(
        folder, "--noise", tmp_path / "room.wav", "--noise-level", 60,
        "--level-at-listener", 66, "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    # Mean of 9 parts 1 and 1 part 100: the valve lies 9.6 dB over the mean.
    assert report["room"]["loud_level_dba"] == pytest.approx(69.6, abs=0.3)
    for voice in report["voices"]:
        assert voice["index_when_loud"] < voice["index"] - 0.1
    assert all(warning["needs_dba"] > 84 for warning in report["warnings"])


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ((), "noise of the room is needed once"),
        (("--octaves", QUIET, "--noise", "x.wav"), "needed once"),
        (("--octaves", "250=50"), "500, 1000, 2000, 4000, 8000 Hz is missing"),
        (("--octaves", QUIET + ",300=4"), "300 Hz is not the centre"),
        (("--octaves", QUIET + ",250=4"), "250 Hz stands there twice"),
        (("--octaves", "250=loud"), "'250=loud' is not"),
        (("--octaves", "250=nan"), "'250=nan' is not"),
        (("--octaves", QUIET.replace("30", "300")), "300 dB is no level"),
        (("--octaves", QUIET, "--measured-with", "Aldr"), "no voice 'Aldr'"),
        (("--noise", "missing.wav", "--noise-level", "60"), "missing.wav"),
        (("--noise", "missing.wav"), "How loud the recording was is not known"),
        (("--noise", "a.wav", "--noise-level", "60", "--full-scale", "90"), "calibrated twice"),
    ],
)
def test_bad_input_is_one_clear_error(folder: Path, more: tuple[str, ...], says: str) -> None:
    result = run(folder, "--level-at-listener", 70, *more)
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("error: ")
    assert says in " ".join(result.stderr.split())


def test_a_picture_that_cannot_be_written_costs_the_picture_alone(folder: Path) -> None:
    result = run(
        folder, "--octaves", QUIET, "--level-at-listener", 70, "--json",
        "--out", folder / "missing" / "picture.png",
    )  # fmt: skip
    assert result.exit_code == 1
    assert "picture cannot be written" in result.stderr
    assert json.loads(result.stdout)["voices"]


def test_a_level_that_no_speech_has_is_refused(folder: Path) -> None:
    result = run(folder, "--octaves", QUIET, "--level-at-listener", -40)
    assert result.exit_code == 1
    assert "none of speech" in result.stderr


@pytest.mark.parametrize(
    ("seconds", "gain", "level", "says"),
    [(1.0, 0.1, 60.0, "too few"), (6.0, 0.0, 60.0, "silent"), (6.0, 0.1, 900.0, "no room is")],
)
def test_a_recording_of_no_use_is_refused(
    folder: Path, tmp_path: Path, seconds: float, gain: float, level: float, says: str
) -> None:
    noise = gain * np.random.default_rng(4).standard_normal(round(44_100 * seconds))
    write_clip(tmp_path / "room.wav", Clip(noise.astype(np.float32), 44_100))
    result = run(
        folder, "--noise", tmp_path / "room.wav", "--noise-level", level,
        "--level-at-listener", 70,
    )  # fmt: skip
    assert result.exit_code == 1
    assert says in " ".join(result.stderr.split())
