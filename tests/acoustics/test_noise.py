"""Shop noise: the same from the same seed, and each part sounds where it should."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import welch

from tablevoice.acoustics.levels import peak, rms_dbfs
from tablevoice.acoustics.noise import PARTS, shop_noise


def test_a_seed_decides_every_sample() -> None:
    first, again = shop_noise(3.0, 16_000, 7), shop_noise(3.0, 16_000, 7)
    other = shop_noise(3.0, 16_000, 8)
    assert first.samples.tobytes() == again.samples.tobytes()
    assert abs(float(np.corrcoef(first.samples, other.samples)[0, 1])) < 0.2


@settings(deadline=None, max_examples=15)
@given(
    seconds=st.floats(0.05, 1.0),
    rate_hz=st.sampled_from([8_000, 16_000, 22_050, 24_000, 48_000]),
    seed=st.integers(-5, 2**40),
    parts=st.sets(st.sampled_from(sorted(PARTS)), min_size=1),
)
def test_any_mix_has_its_length_and_level(
    seconds: float, rate_hz: int, seed: int, parts: set[str]
) -> None:
    clip = shop_noise(
        seconds, rate_hz, seed, level_dbfs=-40.0, mix_db=dict.fromkeys(sorted(parts), 0.0)
    )
    assert len(clip.samples) == round(seconds * rate_hz)
    assert bool(np.isfinite(clip.samples).all())
    assert peak(clip.samples) <= 1.0
    if peak(clip.samples) < 1.0:
        assert rms_dbfs(clip.samples) == pytest.approx(-40.0, abs=0.01)


def _share_above(name: str, frequency_hz: float) -> float:
    clip = shop_noise(20.0, 16_000, 3, mix_db={name: 0.0})
    at_hz, power = welch(clip.samples, 16_000, nperseg=2_048)
    return float(power[at_hz > frequency_hz].sum() / power.sum())


def test_each_part_sounds_where_it_should() -> None:
    """The pump below 1 kHz, compressed air above it, judged by scipy's ``welch``."""
    assert _share_above("pump", 1_000) < 0.35
    assert _share_above("fan", 1_000) < 0.3
    assert _share_above("air", 1_000) > 0.85
    assert _share_above("servo", 5_500) < 0.05
    clip = shop_noise(20.0, 16_000, 3, mix_db={"pump": 0.0})
    at_hz, power = welch(clip.samples, 16_000, nperseg=16_384)
    strongest_hz = float(at_hz[int(np.argmax(power))])
    assert any(abs(strongest_hz - 47.0 * k) < 4.0 for k in (1, 2, 3, 4))


def test_valves_click_and_fans_do_not() -> None:
    def crest_db(name: str) -> float:
        clip = shop_noise(20.0, 16_000, 3, mix_db={name: 0.0})
        return 20 * float(np.log10(peak(clip.samples))) - rms_dbfs(clip.samples)

    assert crest_db("valves") > 20.0
    assert crest_db("fan") < 15.0


def test_what_cannot_be_made_is_refused() -> None:
    with pytest.raises(ValueError, match="pump"):
        shop_noise(1.0, 16_000, 1, mix_db={"trombone": 0.0})
    with pytest.raises(ValueError, match="noise at"):
        shop_noise(0.0, 16_000, 1)
    with pytest.raises(ValueError, match="noise at"):
        shop_noise(1.0, 4_000, 1)
