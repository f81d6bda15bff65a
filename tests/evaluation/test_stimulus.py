"""What the ear gets to hear: levels, ratios, times, and always the same samples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tablevoice.acoustics.levels import active_level_dbfs, rms_dbfs
from tablevoice.audio.clip_files import write_clip
from tablevoice.errors import AudioUnavailable
from tablevoice.evaluation.cases import Case, NoiseChoice, cut
from tablevoice.evaluation.manifest import SpokenWord
from tablevoice.evaluation.stimulus import (
    LEAD_S,
    MADE_NOISES,
    PIECE_LEAD_S,
    TAIL_S,
    activity_s,
    below_peak_s,
    make_stimulus,
)
from tablevoice.model import LISTENING_RATE_HZ as RATE_HZ
from tablevoice.model import Clip, Samples
from tests.evaluation.recordings import fixture, silence

TEAL = (SpokenWord("teal", "teal"),)


def tone(start_s: float, stop_s: float, seconds: float, amplitude: float = 0.3) -> Samples:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    sounding = (time_s >= start_s) & (time_s < stop_s)
    wave = amplitude * np.sin(2.0 * np.pi * 500.0 * time_s) * sounding
    return wave.astype(np.float32)


def case_of(path: Path, samples: Samples, **wishes: object) -> Case:
    write_clip(path, Clip(samples, RATE_HZ))
    values: dict[str, object] = {
        "recording": 0, "path": str(path), "content": path.name, "start_s": 0.0,
        "stop_s": len(samples) / RATE_HZ, "last": True, "words": TEAL, **wishes,
    }  # fmt: skip
    return Case(**values)  # type: ignore[arg-type]


def test_marks_of_a_tone_are_where_it_begins_and_ends() -> None:
    wave = tone(0.5, 1.2, 2.0)
    for marks in (activity_s(wave), below_peak_s(wave)):
        assert marks == pytest.approx((0.5, 1.2), abs=0.011)
    # A tail 18 dB down ends the P.56 activity (15.9 dB below the active level), but not the
    # mark 20 dB below the peak.
    tailed = wave + tone(1.2, 1.5, 2.0, 0.3 * 10.0 ** (-18.0 / 20.0))
    assert activity_s(tailed)[1] == pytest.approx(1.2, abs=0.02)
    assert below_peak_s(tailed)[1] == pytest.approx(1.5, abs=0.02)


def test_a_recording_is_led_in_by_its_own_background(tmp_path: Path) -> None:
    clip = tone(0.6, 1.0, 1.6) + 4.0 * silence(1.6)
    stimulus = make_stimulus(case_of(tmp_path / "a.wav", clip))
    assert len(stimulus.samples) == round((LEAD_S + 1.6 + TAIL_S) * RATE_HZ)
    lead = stimulus.samples[: round(LEAD_S * RATE_HZ)]
    assert rms_dbfs(lead) == pytest.approx(rms_dbfs(4.0 * silence(1.6)), abs=1.0)
    (word,) = stimulus.words
    assert word.end_s == pytest.approx(LEAD_S + 1.0, abs=0.02)
    assert stimulus.from_s == 0.0
    assert stimulus.to_s == pytest.approx(LEAD_S + 1.6 + TAIL_S)


@pytest.mark.parametrize("name", [*MADE_NOISES])
def test_noise_is_mixed_at_the_ratio_to_the_active_level(tmp_path: Path, name: str) -> None:
    clip = 0.05 * fixture("violet")  # so that no burst leaves ±1
    plain = make_stimulus(case_of(tmp_path / "a.wav", clip))
    noisy = make_stimulus(
        case_of(tmp_path / "a.wav", clip, noise=NoiseChoice(name, made=True), snr_db=10.0)
    )
    noise = noisy.samples - plain.samples
    level_dbfs = active_level_dbfs(clip, RATE_HZ)
    assert level_dbfs - rms_dbfs(noise) == pytest.approx(10.0, abs=0.1)
    assert [word.end_s for word in noisy.words] == [word.end_s for word in plain.words]


def test_all_ratios_and_runs_hear_the_same_noise(tmp_path: Path) -> None:
    clip = 0.1 * fixture("violet")
    shop = NoiseChoice("shop", made=True)
    plain = make_stimulus(case_of(tmp_path / "a.wav", clip)).samples
    soft, loud, again = (
        make_stimulus(case_of(tmp_path / "a.wav", clip, noise=shop, snr_db=snr_db)).samples
        for snr_db in (20.0, 0.0, 0.0)
    )
    np.testing.assert_array_equal(loud, again)
    np.testing.assert_allclose((soft - plain) * 10.0, loud - plain, atol=1e-4)


def test_what_would_leave_full_scale_is_turned_down_as_a_whole(tmp_path: Path) -> None:
    clip = fixture("violet") / np.abs(fixture("violet")).max()
    loud = make_stimulus(
        case_of(tmp_path / "a.wav", clip, noise=NoiseChoice("white", made=True), snr_db=-10.0)
    ).samples
    plain = make_stimulus(case_of(tmp_path / "a.wav", clip)).samples
    assert float(np.abs(loud).max()) == pytest.approx(1.0)
    # The share of the speech in the sum (least squares), over its level when alone.
    gain = float(np.dot(loud, plain) / np.dot(plain, plain))
    assert gain < 0.9
    ratio_db = active_level_dbfs(gain * clip, RATE_HZ) - rms_dbfs(loud - gain * plain)
    assert ratio_db == pytest.approx(-10.0, abs=0.3)


def test_a_noise_file_is_used_and_a_missing_one_told(tmp_path: Path) -> None:
    write_clip(tmp_path / "room.wav", Clip(tone(0.0, 3.0, 3.0), RATE_HZ))
    clip = 0.1 * fixture("violet")
    room = NoiseChoice("room", False, str(tmp_path / "room.wav"), "abc")
    plain = make_stimulus(case_of(tmp_path / "a.wav", clip)).samples
    noisy = make_stimulus(case_of(tmp_path / "a.wav", clip, noise=room, snr_db=0.0)).samples
    spectrum = np.abs(np.fft.rfft(noisy - plain))
    peak_hz = float(np.argmax(spectrum)) * RATE_HZ / len(noisy)
    assert peak_hz == pytest.approx(500.0, abs=1.0)
    gone = NoiseChoice("gone", False, str(tmp_path / "gone.wav"), "abc")
    with pytest.raises(AudioUnavailable, match=r"gone\.wav"):
        make_stimulus(case_of(tmp_path / "a.wav", clip, noise=gone, snr_db=0.0))


def test_pieces_of_a_long_recording_are_led_in_by_what_came_before(tmp_path: Path) -> None:
    samples = silence(150.0) + tone(100.0, 100.5, 150.0)
    word = SpokenWord("teal", "teal", 100.0, 100.5)
    pieces = cut(150.0, (word,))
    assert len(pieces) == 2
    (start_s, stop_s) = pieces[1]
    second = case_of(tmp_path / "long.wav", samples, start_s=start_s, stop_s=stop_s, words=(word,))
    stimulus = make_stimulus(second)
    assert stimulus.from_s == PIECE_LEAD_S
    assert stimulus.to_s - stimulus.from_s == pytest.approx(stop_s - start_s + TAIL_S)
    (placed,) = stimulus.words
    assert placed.end_s == pytest.approx(100.5 - start_s + PIECE_LEAD_S)
    assert placed.peak_end_s == pytest.approx(placed.end_s, abs=0.02)
    middle = round((placed.end_s - 0.25) * RATE_HZ)
    assert rms_dbfs(stimulus.samples[middle - 800 : middle + 800]) > -20.0


def test_digital_silence_gets_a_microphones_noise_around_it(tmp_path: Path) -> None:
    stimulus = make_stimulus(case_of(tmp_path / "a.wav", np.zeros(RATE_HZ, np.float32), words=()))
    assert rms_dbfs(stimulus.samples[: round(LEAD_S * RATE_HZ)]) == pytest.approx(-75.0, abs=0.5)
