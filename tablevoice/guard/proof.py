"""Whether the stop path has been proven: an actual press of each stop input, seen not long ago.

Pure: the loop feeds it every reading with the monotonic time, and gives it the proofs of
earlier runs with their age. A press is CLOSED, then a clean OPEN, then CLOSED again, each
lasting a while; a lost link or a late answer on the way proves nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from tablevoice.guard.latch import Level

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Press:
    """How far one input's press has come, and when the last whole one was seen (monotonic ns)."""

    closed_since_ns: int | None = None
    open_since_ns: int | None = None
    open_long_enough: bool = False
    proven_ns: int | None = None


def watch(press: Press, level: Level, steady_ns: int, now_ns: int) -> Press:
    """Take one reading. CLOSED and OPEN must each last ``steady_ns`` for a press to count."""
    if level is Level.CLOSED:
        if press.open_since_ns is not None and not press.open_long_enough:
            return replace(press, closed_since_ns=now_ns, open_since_ns=None)
        if press.closed_since_ns is None:
            return replace(press, closed_since_ns=now_ns)
        if press.open_long_enough and now_ns - press.closed_since_ns >= steady_ns:
            return Press(closed_since_ns=press.closed_since_ns, proven_ns=now_ns)
        return press
    if level is Level.OPEN:
        if press.open_since_ns is not None:
            if press.closed_since_ns is None and now_ns - press.open_since_ns >= steady_ns:
                return replace(press, open_long_enough=True)
            return replace(press, closed_since_ns=None)
        if press.closed_since_ns is not None and now_ns - press.closed_since_ns >= steady_ns:
            return Press(open_since_ns=now_ns, proven_ns=press.proven_ns)
    return Press(proven_ns=press.proven_ns)


def from_earlier_run(proven_wall_s: float, wall_s: float, now_ns: int) -> Press:
    """A proof of an earlier run, on this run's monotonic clock.

    One from the future (the clock was set back) counts for nothing.
    """
    age_s = wall_s - proven_wall_s
    if age_s < 0:
        return Press()
    return Press(proven_ns=now_ns - int(age_s * NS_PER_S))


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the whole path counts as proven, and if not, why, in words for a person."""

    proven: bool
    why: str


def judge(
    stops: Sequence[str],
    simulated: Sequence[str],
    presses: Mapping[str, Press],
    prove_every_ns: int,
    now_ns: int,
) -> Verdict:
    """Judge all stop inputs; a simulated one can never be proven."""
    missing: list[str] = []
    for name in stops:
        proven_ns = presses[name].proven_ns
        if name in simulated:
            missing.append(f"{name} is simulated")
        elif proven_ns is None:
            missing.append(f"{name} was never seen pressed")
        elif now_ns - proven_ns > prove_every_ns:
            hours = (now_ns - proven_ns) / NS_PER_S / 3600
            missing.append(f"{name} was last pressed {hours:.1f} h ago")
    if missing:
        return Verdict(False, "; ".join(missing))
    return Verdict(True, "")
