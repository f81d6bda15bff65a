"""Every noise is made of its seed, at its level, where in the spectrum it should be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import welch

from tablevoice.acoustics.levels import peak, rms_dbfs
from tablevoice.audio.clip_files import write_clip
from tablevoice.corpora.noises import LEVEL_DBFS, MAKERS, NAMES, noise, noise_from_file
from tablevoice.errors import AudioUnavailable
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples
from tests.corpora.signals import buzz

SPEECH = [buzz(f0_hz, 0.5) for f0_hz in (95.0, 130.0, 210.0)]


@pytest.mark.parametrize("name", NAMES)
def test_a_seed_decides_every_sample_and_another_is_another_machine(name: str) -> None:
    first = noise(name, 3.0, 7, speech=SPEECH)
    assert first.tobytes() == noise(name, 3.0, 7, speech=SPEECH).tobytes()
    other = noise(name, 3.0, 8, speech=SPEECH)
    assert abs(float(np.corrcoef(first, other)[0, 1])) < 0.3


@settings(deadline=None, max_examples=40)
@given(name=st.sampled_from(NAMES), seconds=st.floats(0.02, 2.0), seed=st.integers(-(2**33), 2**33))
def test_any_noise_has_its_length_and_level(name: str, seconds: float, seed: int) -> None:
    made = noise(name, seconds, seed, speech=SPEECH)
    assert made.shape == (round(seconds * LISTENING_RATE_HZ),)
    assert made.dtype == np.float32
    assert bool(np.isfinite(made).all())
    assert peak(made) <= 1.0
    if peak(made) < 1.0:
        assert rms_dbfs(made) == pytest.approx(LEVEL_DBFS, abs=0.05)


def _spectrum(samples: Samples) -> tuple[np.ndarray, np.ndarray]:
    at_hz, power = welch(samples, LISTENING_RATE_HZ, nperseg=4_096)
    return at_hz, power


@pytest.mark.parametrize(("name", "slope_db"), [("white", 0.0), ("pink", -3.01), ("brown", -6.02)])
def test_coloured_noise_falls_by_its_slope(name: str, slope_db: float) -> None:
    """0, 3 and 6 dB an octave are what the colours mean; judged by scipy's ``welch``."""
    at_hz, power = _spectrum(noise(name, 30.0, 1))
    band = (at_hz > 100) & (at_hz < 6_000)
    slope, _ = np.polyfit(np.log2(at_hz[band]), 10 * np.log10(power[band]), 1)
    assert float(slope) == pytest.approx(slope_db, abs=0.25)


def _share_above(name: str, frequency_hz: float, seed: int) -> float:
    at_hz, power = _spectrum(noise(name, 15.0, seed))
    return float(power[at_hz > frequency_hz].sum() / power.sum())


def test_each_machine_sounds_where_it_should() -> None:
    for seed in range(4):
        assert _share_above("pump", 1_500, seed) < 0.5
        assert _share_above("fan", 2_000, seed) < 0.5
        assert _share_above("hum", 2_000, seed) < 0.1
        assert _share_above("compressed_air", 1_000, seed) > 0.6
        assert _share_above("grinder", 900, seed) > 0.5


def test_blows_stand_out_and_fans_do_not() -> None:
    def crest_db(name: str, seed: int) -> float:
        made = noise(name, 15.0, seed)
        return 20 * float(np.log10(peak(made))) - rms_dbfs(made)

    for seed in range(4):
        assert crest_db("valve", seed) > 18.0
        assert crest_db("hammer", seed) > 12.0
        assert crest_db("fan", seed) < 16.0


def test_music_stays_on_its_notes_and_a_servo_glides() -> None:
    """How alike the strongest partials of all 64 ms frames lie to a grid of semitones."""

    def on_the_grid(name: str, seed: int) -> float:
        made = noise(name, 12.0, seed)
        frames = made[: len(made) // 1_024 * 1_024].reshape(-1, 1_024) * np.hanning(1_024)
        spectra = np.abs(np.fft.rfft(frames, 16_384))
        spectra = spectra[spectra.max(axis=1) > 0.1 * spectra.max()][:, 200:]  # from 195 Hz
        strongest_hz = (200 + spectra.argmax(axis=1)) * LISTENING_RATE_HZ / 16_384
        semitones = 12 * np.log2(strongest_hz)
        return float(np.abs(np.mean(np.exp(2j * np.pi * semitones))))

    music = [on_the_grid("music", seed) for seed in range(5)]
    servo = [on_the_grid("servo", seed) for seed in range(5)]
    assert min(music) > 0.6
    assert float(np.mean(servo)) < 0.3


def test_shops_with_people_differ_from_shops_without() -> None:
    without = noise("shop", 2.0, 3)
    assert without.tobytes() != noise("shop", 2.0, 4).tobytes()
    some = [noise("shop", 2.0, seed, speech=SPEECH) for seed in range(6)]
    assert len({made.tobytes() for made in some}) == 6


def test_what_cannot_be_made_is_refused() -> None:
    with pytest.raises(ValueError, match="Did you mean 'pump'"):
        noise("pumb", 1.0, 1)
    with pytest.raises(ValueError, match="cannot be made"):
        noise("pump", 0.0, 1)
    with pytest.raises(ValueError, match="cannot be made"):
        noise("pump", 1e6, 1)
    with pytest.raises(ValueError, match="give some clips"):
        noise("babble", 1.0, 1)
    assert set(MAKERS) < set(NAMES)


def test_a_recording_serves_as_noise_however_short(tmp_path: Path) -> None:
    tone = 0.2 * np.sin(2 * np.pi * 440 * np.arange(24_000) / 48_000)
    file = tmp_path / "room.wav"
    write_clip(file, Clip(tone.astype(np.float32), 48_000))
    made = noise_from_file(file, 3.0, 1)
    assert len(made) == 3 * LISTENING_RATE_HZ
    assert rms_dbfs(made) == pytest.approx(LEVEL_DBFS, abs=0.05)
    assert made.tobytes() == noise_from_file(file, 3.0, 1).tobytes()
    assert made.tobytes() != noise_from_file(file, 3.0, 2).tobytes()
    # It goes round without a click: no step is larger than the tone's own steepest.
    steepest = 2 * np.pi * 440 / LISTENING_RATE_HZ * peak(made)
    assert float(np.abs(np.diff(made)).max()) < 1.5 * steepest
    at_hz, power = _spectrum(made)
    assert float(at_hz[int(np.argmax(power))]) == pytest.approx(440, abs=5)


def test_a_silent_or_missing_recording_is_named(tmp_path: Path) -> None:
    silent = tmp_path / "silent.wav"
    write_clip(silent, Clip(np.zeros(16_000, np.float32), 16_000))
    with pytest.raises(AudioUnavailable, match=r"silent\.wav.*silent"):
        noise_from_file(silent, 1.0, 1)
    with pytest.raises(AudioUnavailable, match="none"):
        noise_from_file(tmp_path / "none.wav", 1.0, 1)
