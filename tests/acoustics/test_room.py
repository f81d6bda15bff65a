"""The simulated table: levels, delays, cuts, determinism and bounded memory."""

from __future__ import annotations

import hashlib
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import correlate

from tablevoice.acoustics.levels import active_level_dbfs, peak, rms_dbfs
from tablevoice.acoustics.noise import shop_noise
from tablevoice.acoustics.room import FADE_S, Room
from tablevoice.model import Clip, Samples


def voice(seconds: float, rate_hz: int = 22_050, seed: int = 1) -> Clip:
    return shop_noise(seconds, rate_hz, seed, level_dbfs=-18.0, mix_db={"babble": 0.0})


def run(room: Room, seconds: float, block_s: float = 0.032) -> tuple[Samples, Samples, Samples]:
    blocks = [room.advance(block_s) for _ in range(round(seconds / block_s))]
    return (
        np.concatenate([b.mic for b in blocks]),
        np.concatenate([b.reference for b in blocks]),
        np.concatenate([b.heard_at_table for b in blocks]),
    )


def play(block_s: float) -> str:
    room = Room(shop_noise(2.0, 16_000, 5), table_rate_hz=22_050)
    room.start("Alder", voice(1.5), 0.3)
    room.start("visitor", voice(0.8, 16_000), 1.0)
    room.start("Briar", voice(1.0), 2.0)
    room.cut("Alder", 1.2)
    digest = hashlib.sha256()
    for part in run(room, 6.4, block_s):
        digest.update(part.tobytes())
    return digest.hexdigest()


def test_two_runs_give_the_same_bytes_whatever_the_block() -> None:
    assert play(0.032) == play(0.032) == play(0.020) == play(0.1)


def test_an_arm_reaches_the_microphone_late_and_softer() -> None:
    room = Room(None, leak_db=-20.0)
    end_s = room.start("Alder", voice(1.0), 0.5)
    assert end_s == pytest.approx(1.5, abs=0.001)
    mic, reference, table = run(room, 2.048)
    assert len(mic) == len(reference) == len(table) * 16_000 // 24_000
    assert peak(reference[: 16_000 // 2 - 1]) == 0.0
    lag = int(np.argmax(correlate(mic, reference, mode="full"))) - (len(reference) - 1)
    assert lag == pytest.approx(0.0035 * 16_000, abs=1)
    assert rms_dbfs(mic) - rms_dbfs(reference) == pytest.approx(-20.0, abs=1.5)
    assert rms_dbfs(table) > rms_dbfs(mic) + 15.0


@pytest.mark.parametrize("level_dbfs", [-35.0, -24.0])
def test_a_person_reaches_the_microphone_at_the_level_asked_for(level_dbfs: float) -> None:
    room = Room(None, person_level_dbfs=level_dbfs)
    room.start("visitor", voice(2.0, 16_000))
    mic, reference, _ = run(room, 2.048)
    assert active_level_dbfs(mic, 16_000) == pytest.approx(level_dbfs, abs=1.5)
    assert peak(reference) == 0.0


def test_the_noise_never_ends_and_has_no_seam() -> None:
    noise = shop_noise(1.0, 16_000, 2, mix_db={"fan": 0.0})
    mic, _, table = run(Room(noise, table_rate_hz=22_050), 10.24)
    steps = np.abs(np.diff(mic))
    assert float(steps.max()) <= 1.2 * float(np.abs(np.diff(noise.samples)).max())
    for part, rate_hz in ((mic, 16_000), (table, 22_050)):
        for second in range(10):
            piece = part[second * rate_hz : (second + 1) * rate_hz]
            assert rms_dbfs(piece) == pytest.approx(rms_dbfs(noise.samples), abs=1.5)
    softer, _, _ = run(Room(noise, noise_gain_db=-12.0), 2.048)
    assert rms_dbfs(softer) == pytest.approx(rms_dbfs(noise.samples) - 12.0, abs=1.0)


def test_a_cut_fades_and_then_there_is_silence() -> None:
    room = Room(None)
    tone = Clip(
        (0.5 * np.sin(2 * np.pi * 200 * np.arange(32_000) / 16_000)).astype(np.float32), 16_000
    )
    room.start("Alder", tone)
    run(room, 0.512)
    assert room.sounding() == ("Alder",)
    assert room.cut("Alder")
    _, reference, _ = run(room, 0.512)
    gone = round(FADE_S * 16_000)
    assert peak(reference[gone + 1 :]) == 0.0
    assert peak(reference[: gone // 2]) > 0.2
    steepest = 0.5 * 2 * np.pi * 200 / 16_000
    fade_step = 0.5 * np.pi / 2 / gone
    assert float(np.abs(np.diff(reference)).max()) <= steepest + fade_step
    assert room.sounding() == ()
    assert not room.cut("Alder")


def test_a_cut_spares_what_starts_later_and_others() -> None:
    room = Room(None)
    room.start("Alder", voice(1.0), 0.0)
    room.start("Alder", voice(1.0), 2.0)
    room.start("Briar", voice(1.0), 0.0)
    assert room.cut("Alder", 0.5)
    run(room, 0.64)
    assert room.sounding() == ("Briar",)
    run(room, 1.6)
    assert room.sounding() == ("Alder",)


def test_a_start_in_the_past_is_now() -> None:
    room = Room(None)
    run(room, 0.96)
    assert room.start("visitor", voice(0.5), 0.1) == pytest.approx(room.now_s + 0.5, abs=0.001)


@settings(deadline=None, max_examples=40)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from(["start", "cut"]), st.sampled_from(["Alder", "Briar", "visitor"]),
                  st.floats(0, 2), st.floats(0.001, 0.3)),
        max_size=12,
    )
)  # fmt: skip
def test_any_order_of_calls_keeps_time_and_range(
    steps: list[tuple[str, str, float, float]],
) -> None:
    room = Room(None, table_rate_hz=22_050)
    heard = 0
    for what, source, later_s, block_s in steps:
        if what == "start":
            room.start(source, voice(0.2, 8_000), room.now_s + later_s)
        else:
            room.cut(source, room.now_s + later_s)
        before_s = room.now_s
        block = room.advance(block_s)
        heard += len(block.heard_at_table)
        assert block.start_s == before_s
        assert len(block.mic) == len(block.reference) == round((room.now_s - before_s) * 16_000)
        assert max(peak(block.mic), peak(block.heard_at_table), peak(block.reference)) <= 1.0
    assert abs(heard - room.now_s * 22_050) < 1.0


def test_a_long_session_does_not_grow() -> None:
    room = Room(shop_noise(1.0, 16_000, 2))
    clip = voice(1.0, 16_000)

    def minutes(count: int) -> None:
        for _ in range(count * 20):
            room.start("Alder", clip)
            for _ in range(10):
                room.advance(0.3)

    minutes(2)
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        minutes(10)
        after, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert after - before < 500_000
    assert room.now_s == pytest.approx(720.0)


def test_an_unknown_source_and_a_bad_room_are_refused() -> None:
    room = Room(None)
    with pytest.raises(ValueError, match="Alder, Briar, visitor"):
        room.start("Cedar", voice(0.1))
    with pytest.raises(ValueError, match="no sample"):
        room.advance(0.0)
    with pytest.raises(ValueError, match="names of their own"):
        Room(None, arms=("Alder",), people=("Alder",))
    with pytest.raises(ValueError, match="too short"):
        Room(Clip(np.ones(2, np.float32), 16_000))
