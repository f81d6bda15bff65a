"""Rooms die away as they were told to, judged by the room simulator's own measurement."""

from __future__ import annotations

import sys

import numpy as np
import pyroomacoustics
import pytest

from tablevoice.corpora.rooms import reverberant, room_response
from tablevoice.errors import EngineFailed
from tablevoice.model import LISTENING_RATE_HZ
from tests.corpora.signals import buzz


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rt60_s", [0.2, 0.5, 0.8])
def test_the_reverberation_time_is_as_asked(seed: int, rt60_s: float) -> None:
    """Schroeder's backward integration (ISO 3382), as pyroomacoustics does it."""
    response = room_response(seed, rt60_s=rt60_s)
    measured_s = pyroomacoustics.experimental.measure_rt60(
        response.samples, fs=LISTENING_RATE_HZ, decay_db=30
    )
    assert float(measured_s) == pytest.approx(rt60_s, rel=0.15)


def test_farther_away_the_direct_sound_is_a_smaller_part() -> None:
    ratios_db = []
    for distance_m in (0.3, 1.0, 3.0):
        found = []
        for seed in range(8):
            energy = room_response(seed, rt60_s=0.5, distance_m=distance_m).samples ** 2
            found.append(10 * np.log10(energy[:48].sum() / energy[48:].sum()))
        ratios_db.append(float(np.mean(found)))
    assert ratios_db[0] - ratios_db[1] > 6.0
    assert ratios_db[1] - ratios_db[2] > 5.0


def test_the_direct_sound_comes_first_at_its_own_level() -> None:
    for seed in range(10):
        response = room_response(seed)
        assert float(np.abs(response.samples[:24]).max()) == pytest.approx(1.0, abs=0.35)
        assert 0.2 <= response.rt60_s <= 0.8
        assert 0.3 <= response.distance_m <= 3.0
        assert min(response.size_m) > 2.0


def test_a_seed_decides_the_room() -> None:
    assert room_response(3).samples.tobytes() == room_response(3).samples.tobytes()
    assert len({room_response(seed).rt60_s for seed in range(20)}) == 20


def test_a_word_in_a_room_is_the_convolution_of_both() -> None:
    word, response = buzz(120.0, 0.3), room_response(1)
    arrived = reverberant(word, response)
    wanted = np.convolve(word.astype(np.float64), response.samples.astype(np.float64))
    assert arrived == pytest.approx(wanted, abs=1e-4)
    assert len(reverberant(word, response, keep_tail=False)) == len(word)


def test_impossible_rooms_and_a_missing_package_are_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with pytest.raises(ValueError, match="no room"):
        room_response(1, rt60_s=9.0)
    with pytest.raises(ValueError, match="no room"):
        room_response(1, distance_m=50.0)
    monkeypatch.setitem(sys.modules, "pyroomacoustics", None)
    with pytest.raises(EngineFailed, match=r"tablevoice\[tune\]"):
        room_response(1)
