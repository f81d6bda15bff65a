"""A stop input is proven by a whole press and by nothing less."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.guard.latch import Level
from tablevoice.guard.proof import Press, from_earlier_run, judge, watch
from tablevoice.guard.proof_file import read_proofs, write_proofs

MS = 1_000_000
STEADY_NS = 50 * MS
HOUR_NS = 3_600_000 * MS


def run(press: Press, *parts: tuple[Level, int], start_ns: int = 0) -> tuple[Press, int]:
    """Feed levels for so many milliseconds each, in 5 ms samples."""
    now_ns = start_ns
    for level, ms in parts:
        for _ in range(ms // 5):
            now_ns += 5 * MS
            press = watch(press, level, STEADY_NS, now_ns)
    return press, now_ns


def test_a_press_proves() -> None:
    press, now_ns = run(Press(), (Level.CLOSED, 100), (Level.OPEN, 200))
    assert press.proven_ns is None, "not before it is released"
    press, now_ns = run(press, (Level.CLOSED, 100), start_ns=now_ns)
    assert press.proven_ns is not None


def test_a_bouncing_press_proves_too() -> None:
    bounce = ((Level.OPEN, 5), (Level.CLOSED, 5)) * 3
    press, _ = run(
        Press(),
        (Level.CLOSED, 100),
        (Level.OPEN, 100),
        *bounce,
        (Level.CLOSED, 100),
    )
    assert press.proven_ns is not None


@pytest.mark.parametrize(
    "parts",
    [
        ((Level.OPEN, 500), (Level.CLOSED, 500)),  # never seen closed before
        ((Level.CLOSED, 100), (Level.UNREADABLE, 200), (Level.CLOSED, 100)),  # a lost link
        ((Level.CLOSED, 100), (Level.OPEN, 100), (Level.LATE, 20), (Level.CLOSED, 100)),
        ((Level.CLOSED, 100), (Level.NONSENSE, 5), (Level.OPEN, 100), (Level.CLOSED, 100)),
        ((Level.CLOSED, 100), (Level.OPEN, 10), (Level.CLOSED, 300)),  # a rattle
        ((Level.CLOSED, 100), (Level.OPEN, 1_000)),  # never released
    ],
)
def test_what_proves_nothing(parts: tuple[tuple[Level, int], ...]) -> None:
    press, _ = run(Press(), *parts)
    assert press.proven_ns is None


def test_a_rattling_contact_never_proves() -> None:
    press, _ = run(Press(), (Level.CLOSED, 100), *(((Level.OPEN, 20), (Level.CLOSED, 20)) * 100))
    assert press.proven_ns is None


def test_the_verdict_says_what_is_missing() -> None:
    day = 24 * HOUR_NS
    presses = {"a": Press(proven_ns=100 * HOUR_NS), "b": Press(), "c": Press(proven_ns=1)}
    verdict = judge(["a", "b", "c"], [], presses, day, 101 * HOUR_NS)
    assert not verdict.proven
    assert verdict.why == "b was never seen pressed; c was last pressed 101.0 h ago"
    assert judge(["a"], [], presses, day, 101 * HOUR_NS).proven
    assert judge(["a"], ["a"], presses, day, 101 * HOUR_NS).why == "a is simulated"


def test_proofs_of_earlier_runs_and_a_clock_set_back() -> None:
    hour_ago = from_earlier_run(10_000.0, 13_600.0, 5 * MS)
    assert hour_ago.proven_ns == 5 * MS - HOUR_NS
    assert from_earlier_run(13_600.0, 10_000.0, 0).proven_ns is None


def test_the_file_survives_what_may_stand_in_it(tmp_path: Path) -> None:
    assert read_proofs(tmp_path) == {}
    write_proofs(tmp_path, {"stop": 12.5})
    assert read_proofs(tmp_path) == {"stop": 12.5}
    file = tmp_path / "proofs.json"
    for text in ("", "{", "[1]", '{"stop": "x", "b": true, "c": NaN}', "[" * 100_000, "\x00"):
        file.write_text(text)
        assert read_proofs(tmp_path) == {}
