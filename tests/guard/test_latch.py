"""The latch's rules one by one, and as properties over any sequence of samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import settings, strategies
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from tablevoice.guard.latch import (
    InputRule,
    Latched,
    Level,
    Reset,
    Rules,
    State,
    ended,
    phase,
    power_up,
    step,
)

MS = 1_000_000
RULES = Rules(
    inputs=(InputRule("stop"), InputRule("curtain", protective=True)),
    debounce_ns=100 * MS,
    press_shortest_ns=50 * MS,
    press_longest_ns=2_000 * MS,
    reset_debounce_ns=20 * MS,
    longest_gap_ns=50 * MS,
)
SELF_CLEARING = Rules(
    inputs=(InputRule("stop"), InputRule("curtain", protective=True, clears_by_itself=True)),
    debounce_ns=100 * MS,
    press_shortest_ns=50 * MS,
    press_longest_ns=2_000 * MS,
    reset_debounce_ns=20 * MS,
    longest_gap_ns=50 * MS,
)
CLOSED = (Level.CLOSED, Level.CLOSED)
STOP_OPEN = (Level.OPEN, Level.CLOSED)
CURTAIN_OPEN = (Level.CLOSED, Level.OPEN)


@dataclass
class Bench:
    """A latch with its own time, driven in 5 ms samples."""

    rules: Rules
    state: State
    now_ns: int = 0

    def run(
        self,
        ms: int,
        levels: Sequence[Level] = CLOSED,
        reset: Reset = Reset.REST,
        hold: str | None = None,
    ) -> list[str]:
        kinds: list[str] = []
        for _ in range(max(ms // 5, 1)):
            self.now_ns += 5 * MS
            self.state, happenings = step(self.rules, self.state, levels, reset, hold, self.now_ns)
            kinds += [happening.kind for happening in happenings]
        return kinds

    def press(self, ms: int = 200) -> list[str]:
        return self.run(ms, reset=Reset.PRESSED) + self.run(50)


def armed(rules: Rules = RULES) -> Bench:
    bench = Bench(rules, power_up(0))
    bench.run(200)
    bench.press()
    assert bench.state.permit
    return bench


def test_power_up_is_stopped_until_a_press() -> None:
    bench = Bench(RULES, power_up(0))
    bench.run(10_000)
    assert phase(RULES, bench.state) == "awaiting_reset"
    assert bench.press().count("reset") == 1
    assert phase(RULES, bench.state) == "permitted"


def test_every_level_but_closed_trips_on_its_first_sample() -> None:
    for level in Level:
        bench = armed()
        bench.run(1, (level, Level.CLOSED))
        assert bench.state.permit is (level is Level.CLOSED)
        expected = Latched.NOTHING if level is Level.CLOSED else Latched.TRIP
        assert bench.state.latched is expected


def test_a_protective_input_and_a_request_latch_a_hold_and_a_stop_makes_it_a_trip() -> None:
    bench = armed()
    bench.run(1, CURTAIN_OPEN)
    assert bench.state.latched is Latched.HOLD
    bench = armed()
    assert bench.run(1, hold="pause") == ["hold"]
    assert bench.state.causes == ("asked: pause",)
    assert phase(RULES, bench.state) == "held"
    assert bench.run(1, STOP_OPEN) == ["trip"]
    assert bench.state.latched is Latched.TRIP


def test_release_has_to_be_steady_for_the_debounce_time() -> None:
    bench = armed()
    bench.run(1, STOP_OPEN)
    for _ in range(20):  # chatter: never closed for long enough
        bench.run(90)
        bench.run(5, STOP_OPEN)
    assert phase(RULES, bench.state) == "tripped"
    assert bench.run(105).count("closed_again") == 1
    assert phase(RULES, bench.state) == "awaiting_reset"


def test_a_press_before_the_inputs_are_steady_does_not_count() -> None:
    bench = armed()
    bench.run(100, STOP_OPEN)
    bench.run(50)
    bench.run(200, reset=Reset.PRESSED)  # begins too early, ends well after
    assert "reset" not in bench.run(100)
    assert not bench.state.permit
    assert "reset" in bench.press()


def test_a_welded_reset_never_counts() -> None:
    bench = Bench(RULES, power_up(0))
    bench.run(60_000, reset=Reset.PRESSED)
    assert not bench.state.permit
    bench.run(50)  # it lets go at last: a falling edge alone is no press
    assert not bench.state.permit
    assert "reset" in bench.press()


def test_presses_outside_the_window_are_refused() -> None:
    bench = Bench(RULES, power_up(0))
    bench.run(200)
    assert "press_refused" in bench.press(30)
    assert "press_refused" in bench.press(2_100)
    assert not bench.state.permit
    assert "reset" in bench.press(1_900)


def test_an_unreadable_reset_in_the_middle_spoils_the_press() -> None:
    bench = Bench(RULES, power_up(0))
    bench.run(200)
    bench.run(100, reset=Reset.PRESSED)
    bench.run(5, reset=Reset.UNREADABLE)
    bench.run(100, reset=Reset.PRESSED)
    bench.run(100)
    assert not bench.state.permit


def test_a_bouncing_reset_still_counts_once() -> None:
    bench = Bench(RULES, power_up(0))
    bench.run(200)
    for _ in range(3):
        bench.run(5, reset=Reset.PRESSED)
        bench.run(5)
    kinds = bench.run(200, reset=Reset.PRESSED)
    for _ in range(3):
        kinds += bench.run(5) + bench.run(5, reset=Reset.PRESSED)
    kinds += bench.run(100)
    assert kinds.count("reset") == 1


def test_a_request_during_the_press_spoils_it() -> None:
    bench = Bench(RULES, power_up(0))
    bench.run(200)
    bench.run(100, reset=Reset.PRESSED)
    bench.run(1, reset=Reset.PRESSED, hold="stop")
    bench.run(100)
    assert not bench.state.permit


def test_missing_time_and_time_running_back_trip() -> None:
    for jump_ms in (51, 3_600_000, -1):
        bench = armed()
        bench.now_ns += jump_ms * MS - 5 * MS
        assert "trip" in bench.run(1)
        assert bench.state.causes == ("inputs unwatched",)


def test_a_self_clearing_curtain_clears_only_by_its_rule() -> None:
    bench = armed(SELF_CLEARING)
    bench.run(100, CURTAIN_OPEN)
    assert bench.state.latched is Latched.HOLD
    assert "reset" not in bench.run(95)
    assert "reset" in bench.run(10)
    assert bench.state.permit


def test_what_takes_self_clearing_away() -> None:
    def spoiled(bench: Bench) -> bool:
        bench.run(500)
        return not bench.state.permit

    bench = armed(SELF_CLEARING)
    bench.run(10, CURTAIN_OPEN)
    bench.run(10, CURTAIN_OPEN, hold="pause")
    assert spoiled(bench), "a request came on top"
    bench = armed(SELF_CLEARING)
    bench.run(10, CURTAIN_OPEN)
    bench.run(10, STOP_OPEN)
    assert spoiled(bench), "a stop came on top"
    for level in (Level.UNREADABLE, Level.LATE, Level.NONSENSE):
        bench = armed(SELF_CLEARING)
        bench.run(10, (Level.CLOSED, level))
        assert spoiled(bench), "a fault is no step out of the curtain"
    for reset in (Reset.PRESSED, Reset.UNREADABLE):
        bench = armed(SELF_CLEARING)
        bench.run(50, CURTAIN_OPEN, reset=reset)
        bench.run(50, CURTAIN_OPEN)
        assert spoiled(bench), "the reset contact was not at rest all along"
    bench = Bench(SELF_CLEARING, power_up(0))
    bench.run(10, CURTAIN_OPEN)
    assert spoiled(bench), "never armed by a press"
    bench = armed()
    bench.run(10, CURTAIN_OPEN)
    assert spoiled(bench), "the guard file does not say so"


def test_a_guard_told_to_end_leaves_a_trip() -> None:
    state = ended(armed().state)
    assert not state.permit
    assert state.causes == ("guard ended",)


LEVELS = strategies.sampled_from(Level)
MOSTLY_CLOSED = strategies.one_of(
    strategies.just(CLOSED), strategies.just(CLOSED), strategies.tuples(LEVELS, LEVELS)
)


class AnySequence(RuleBasedStateMachine):
    """Any samples in any order; judged from the raw history alone, not from the latch's state."""

    rules_used = RULES

    def __init__(self) -> None:
        super().__init__()
        self.now_ns = 0
        self.state = power_up(0)
        self.history: list[tuple[int, bool, Reset, bool]] = []  # time, good, reset, permit

    def sample(self, levels: Sequence[Level], reset: Reset, hold: str | None, wait_ms: int) -> None:
        self.now_ns += wait_ms * MS
        self.state, _ = step(self.rules_used, self.state, levels, reset, hold, self.now_ns)
        good = (
            all(level is Level.CLOSED for level in levels) and hold is None and 0 <= wait_ms <= 50
        )
        self.history.append((self.now_ns, good, reset, self.state.permit))

    @rule(
        levels=MOSTLY_CLOSED,
        reset=strategies.sampled_from(Reset),
        hold=strategies.sampled_from((None, None, None, "pause", "stop")),
        wait_ms=strategies.integers(-5, 80),
    )
    def anything(
        self, levels: tuple[Level, Level], reset: Reset, hold: str | None, wait_ms: int
    ) -> None:
        self.sample(levels, reset, hold, wait_ms)

    @rule(
        reset=strategies.sampled_from((Reset.REST, Reset.PRESSED)), turns=strategies.integers(1, 30)
    )
    def steady(self, reset: Reset, turns: int) -> None:
        for _ in range(turns):
            self.sample(CLOSED, reset, None, 10)

    @rule(press=strategies.integers(1, 12))
    def whole_press(self, press: int) -> None:
        self.steady(Reset.REST, 15)
        self.steady(Reset.PRESSED, press)
        self.steady(Reset.REST, 4)

    @rule(level=LEVELS)
    def curtain(self, level: Level) -> None:
        self.sample((Level.CLOSED, level), Reset.REST, None, 10)

    @invariant()
    def never_on_with_anything_wrong(self) -> None:
        if self.history:
            _, good, _, permit = self.history[-1]
            assert good or not permit

    @invariant()
    def arms_only_by_a_press_seen_in_the_raw_samples(self) -> None:
        if len(self.history) < 2 or self.history[-2][3] or not self.history[-1][3]:
            return
        assert self.whole_press_in_history(), "armed without a press"

    def whole_press_in_history(self) -> bool:
        """Rest, pressed, rest, readable all along, begun after all was well for the debounce."""
        rules = self.rules_used
        last_bad = max((place for place, one in enumerate(self.history) if not one[1]), default=-1)
        well_since_ns = self.history[last_bad + 1][0]
        end = len(self.history) - 1
        while end > 0 and self.history[end][2] is Reset.REST:
            end -= 1
        released_ns = self.history[end + 1][0]
        for place in range(end, last_bad, -1):
            at_ns, _, reset, _ = self.history[place]
            if reset is Reset.UNREADABLE:
                return False
            before = self.history[place - 1][2] if place else Reset.UNREADABLE
            if (
                reset is Reset.PRESSED
                and before is Reset.REST
                and at_ns >= well_since_ns + rules.debounce_ns
                and rules.press_shortest_ns <= released_ns - at_ns <= rules.press_longest_ns
            ):
                return True
        return False


class AnySequenceSelfClearing(AnySequence):
    """The same with a curtain that may clear by itself: that way needs the reset at rest."""

    rules_used = SELF_CLEARING

    @invariant()
    def arms_only_by_a_press_seen_in_the_raw_samples(self) -> None:
        if len(self.history) < 2 or self.history[-2][3] or not self.history[-1][3]:
            return
        if self.whole_press_in_history():
            return
        earlier = max(place for place, one in enumerate(self.history[:-1]) if one[3])
        assert all(one[2] is Reset.REST for one in self.history[earlier + 1 :])
        bad = [one[0] for one in self.history[earlier + 1 :] if not one[1]]
        assert self.now_ns - bad[-1] >= SELF_CLEARING.debounce_ns


TestAnySequence = AnySequence.TestCase
TestAnySequenceSelfClearing = AnySequenceSelfClearing.TestCase
TestAnySequence.settings = settings(max_examples=80, stateful_step_count=30, deadline=None)
TestAnySequenceSelfClearing.settings = TestAnySequence.settings
