"""The latch: whether the permit may be on, as a pure function of state, samples and time.

``step`` knows no clock, socket, file or device: the loop hands it one sample of every input
and the monotonic time, and gets the next state and what happened. The permit is on exactly
while nothing is latched, so the two can never disagree. Tests enumerate all of its states.

The rules, in the order ``step`` applies them:

1. The first sample that is not CLOSED latches, whatever the reason. A *stop* input latches a
   trip, a *protective* input and a request of the talking half latch a hold.
2. Missing time latches a trip: a step later than ``longest_gap_ns`` after the last one, or
   before it, means inputs went unwatched.
3. A latch is cleared by one thing only: with all inputs closed for ``debounce_ns``, the reset
   contact goes from rest to pressed and back to rest, the press lasting between
   ``press_shortest_ns`` and ``press_longest_ns``. A contact that was never seen at rest, is
   held, is welded or cannot be read makes no such press.
4. The one exception must be written in the guard file, for a protective input only: a hold
   that this input alone caused, by a clean OPEN, and after an earlier press had armed the
   guard, ends when all inputs have been closed for ``debounce_ns`` *and* the reset contact
   has been read at rest, without a break, since before the hold. So the reset input has to be
   wired, healthy and untouched; anything else and a press is needed after all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum


class Level(IntEnum):
    """One reading of a normally closed input. Everything but CLOSED means stop."""

    CLOSED = 0
    OPEN = 1
    UNREADABLE = 2
    LATE = 3
    NONSENSE = 4


class Reset(IntEnum):
    """One reading of the reset contact."""

    REST = 0
    PRESSED = 1
    UNREADABLE = 2


class Latched(IntEnum):
    """What is latched; a higher one never turns into a lower one without a reset."""

    NOTHING = 0
    HOLD = 1
    TRIP = 2


@dataclass(frozen=True, slots=True)
class InputRule:
    """How the latch treats one input: ``protective`` latches a hold instead of a trip."""

    name: str
    protective: bool = False
    clears_by_itself: bool = False


@dataclass(frozen=True, slots=True)
class Rules:
    """The latch's constants; all times in nanoseconds of one monotonic clock."""

    inputs: tuple[InputRule, ...]
    debounce_ns: int
    press_shortest_ns: int
    press_longest_ns: int
    reset_debounce_ns: int
    longest_gap_ns: int


@dataclass(frozen=True, slots=True)
class State:
    """Everything the latch remembers between two samples."""

    latched: Latched
    causes: tuple[str, ...]
    """Names of what latched, first first; empty when nothing is latched."""
    may_clear_by_itself: bool
    closed_since_ns: int | None
    """Since when every input has been CLOSED in every sample; None: not now."""
    reset: Reset
    """The reset contact after its debounce."""
    raw_reset: Reset
    raw_reset_since_ns: int
    pressed_at_ns: int | None
    """When a press that may count began; None: no such press is going on."""
    last_ns: int

    @property
    def permit(self) -> bool:
        return self.latched is Latched.NOTHING


@dataclass(frozen=True, slots=True)
class Happening:
    """Something to record: ``kind`` is trip, hold, also, closed_again, reset or press_refused."""

    kind: str
    why: str


POWER_UP = "power up"
UNWATCHED = "inputs unwatched"
ENDED = "guard ended"


def power_up(now_ns: int) -> State:
    """The state a guard starts in: tripped, nothing seen yet."""
    return State(
        latched=Latched.TRIP,
        causes=(POWER_UP,),
        may_clear_by_itself=False,
        closed_since_ns=None,
        reset=Reset.UNREADABLE,
        raw_reset=Reset.UNREADABLE,
        raw_reset_since_ns=now_ns,
        pressed_at_ns=None,
        last_ns=now_ns,
    )


def step(
    rules: Rules,
    state: State,
    levels: Sequence[Level],
    reset: Reset,
    hold_request: str | None,
    now_ns: int,
) -> tuple[State, tuple[Happening, ...]]:
    """Take one sample and return the next state and what happened.

    ``levels`` has one reading an input, in the order of ``rules.inputs``; ``hold_request`` is
    the word of the talking half ("pause" or "stop") when it asked since the last step.
    """
    if len(levels) != len(rules.inputs):
        raise ValueError("one level an input is needed")
    unwatched = not 0 <= now_ns - state.last_ns <= rules.longest_gap_ns

    # Rules 1 and 2: what latches.
    latched, causes, by_itself = state.latched, state.causes, state.may_clear_by_itself
    happenings: list[Happening] = []
    new_causes: list[tuple[str, str, Latched, bool]] = []
    if unwatched:
        new_causes.append((UNWATCHED, UNWATCHED, Latched.TRIP, False))
    all_closed = True
    for rule, level in zip(rules.inputs, levels, strict=True):
        if level is not Level.CLOSED:
            all_closed = False
            kind = Latched.HOLD if rule.protective else Latched.TRIP
            alone = rule.protective and rule.clears_by_itself and level is Level.OPEN
            new_causes.append((rule.name, f"{rule.name} {level.name.lower()}", kind, alone))
    if hold_request is not None:
        cause = f"asked: {hold_request}"
        new_causes.append((cause, cause, Latched.HOLD, False))
    if new_causes:
        if latched is Latched.NOTHING:
            by_itself = state.reset is Reset.REST and state.raw_reset is Reset.REST
        for name, why, kind, alone in new_causes:
            by_itself = by_itself and alone
            if kind > latched:
                happenings.append(Happening("trip" if kind is Latched.TRIP else "hold", why))
                latched = kind
            elif name not in causes:
                happenings.append(Happening("also", why))
            if name not in causes:
                causes = (*causes, name)

    # Since when everything is closed. A break, missing time or a request starts it again.
    closed_since = state.closed_since_ns
    if not all_closed:
        closed_since = None
    elif closed_since is None or unwatched or hold_request is not None:
        closed_since = now_ns
    was_stable = _stable(rules, state.closed_since_ns, state.last_ns)
    stable = _stable(rules, closed_since, now_ns)
    if latched and stable and not was_stable:
        happenings.append(Happening("closed_again", "all inputs closed"))

    # The reset contact. It only ever enables, so it is filtered in both directions.
    raw_since = state.raw_reset_since_ns
    level_before = state.reset
    if unwatched:
        level_before, raw_since = Reset.UNREADABLE, now_ns
    elif reset is not state.raw_reset:
        raw_since = now_ns
    if reset is Reset.UNREADABLE:
        reset_level = Reset.UNREADABLE
    elif reset is not level_before and now_ns - raw_since >= rules.reset_debounce_ns:
        reset_level = reset
    else:
        reset_level = level_before
    by_itself = by_itself and reset is Reset.REST and reset_level is Reset.REST

    # Rule 3: a press counts from its rising edge to its falling edge, or not at all.
    pressed_at = state.pressed_at_ns
    if not stable or unwatched or reset_level is Reset.UNREADABLE:
        if pressed_at is not None:
            happenings.append(Happening("press_refused", "not steady during the press"))
        pressed_at = None
    cleared_by = ""
    if level_before is Reset.REST and reset_level is Reset.PRESSED and latched:
        if stable and closed_since is not None and closed_since + rules.debounce_ns <= raw_since:
            pressed_at = raw_since
        else:
            happenings.append(Happening("press_refused", "inputs not closed and steady before it"))
    elif level_before is Reset.PRESSED and reset_level is Reset.REST and pressed_at is not None:
        width_ns = raw_since - pressed_at
        if rules.press_shortest_ns <= width_ns <= rules.press_longest_ns:
            cleared_by = "reset pressed and released"
        else:
            too = "short" if width_ns < rules.press_shortest_ns else "long"
            happenings.append(Happening("press_refused", f"too {too} ({width_ns // 10**6} ms)"))
        pressed_at = None

    # Rule 4.
    if latched is Latched.HOLD and by_itself and stable:
        cleared_by = f"{', '.join(causes)} closed again, cleared by itself"

    if cleared_by and stable:
        latched, causes, by_itself, pressed_at = Latched.NOTHING, (), False, None
        happenings.append(Happening("reset", cleared_by))
    return (
        State(
            latched=latched,
            causes=causes,
            may_clear_by_itself=by_itself,
            closed_since_ns=closed_since,
            reset=reset_level,
            raw_reset=reset,
            raw_reset_since_ns=raw_since,
            pressed_at_ns=pressed_at,
            last_ns=now_ns,
        ),
        tuple(happenings),
    )


def phase(rules: Rules, state: State) -> str:
    """The state in one word: permitted, awaiting_reset, held or tripped."""
    if state.latched is Latched.NOTHING:
        return "permitted"
    if _stable(rules, state.closed_since_ns, state.last_ns):
        return "awaiting_reset"
    return "held" if state.latched is Latched.HOLD else "tripped"


def ended(state: State) -> State:
    """The tripped state a guard leaves behind when it is told to end."""
    return replace(state, latched=Latched.TRIP, causes=(*state.causes, ENDED), closed_since_ns=None)


def _stable(rules: Rules, closed_since_ns: int | None, now_ns: int) -> bool:
    return closed_since_ns is not None and now_ns - closed_since_ns >= rules.debounce_ns
