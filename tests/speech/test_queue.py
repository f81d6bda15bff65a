"""The queue's promises as properties: nobody talks over anybody, nothing is lost unsaid."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tablevoice.model import Priority, Utterance
from tablevoice.speech.queue import Cut, Decision, Dropped, QueueRules, SpeechQueue, Start, Why

RULES = QueueRules(most_waiting=4)


def utterance(
    name: str,
    priority: Priority = Priority.MOVE,
    *,
    voice: str = "Alder",
    interruptible: bool = True,
    born_s: float = 0.0,
    fresh_for_s: float = 8.0,
) -> Utterance:
    return Utterance(
        id=name,
        event_id=f"event-{name}",
        event="turn",
        line_key="k",
        voice=voice,
        text="Your turn.",
        priority=priority,
        interruptible=interruptible,
        born_s=born_s,
        fresh_until_s=born_s + fresh_for_s,
    )


def started(decisions: Iterable[Decision]) -> list[str]:
    return [d.utterance.id for d in decisions if isinstance(d, Start)]


def cut(decisions: Iterable[Decision]) -> list[str]:
    return [d.utterance.id for d in decisions if isinstance(d, Cut)]


def dropped(decisions: Iterable[Decision]) -> list[tuple[str, Why]]:
    return [(d.utterance.id, d.why) for d in decisions if isinstance(d, Dropped)]


def test_a_line_starts_at_once_when_nothing_sounds() -> None:
    queue, decisions = SpeechQueue().push(utterance("a"), 0.0)
    assert decisions == (Start(utterance("a")),)
    assert queue.sounding == utterance("a")
    assert queue.wake_s is None


def test_higher_goes_first_and_equals_in_order() -> None:
    queue, _ = SpeechQueue().push(utterance("now", interruptible=False), 0.0)
    for name, priority in [
        ("banter", Priority.BANTER),
        ("move 1", Priority.MOVE),
        ("question", Priority.QUESTION),
        ("move 2", Priority.MOVE),
    ]:
        queue, decisions = queue.push(utterance(name, priority), 0.1)
        assert decisions == ()
    order = []
    now_s = 1.0
    for _ in range(4):
        assert queue.sounding is not None
        queue, _ = queue.finish(queue.sounding.id, now_s)
        wake_s = queue.wake_s
        assert wake_s is not None
        now_s = wake_s
        queue, decisions = queue.advance(now_s)
        order += started(decisions)
    assert order == ["question", "move 1", "move 2", "banter"]


@pytest.mark.parametrize("priority", [Priority.BANTER, Priority.MOVE, Priority.QUESTION])
@pytest.mark.parametrize("interruptible", [True, False])
def test_a_warning_cuts_anything_lower_and_starts_in_the_same_breath(
    priority: Priority, interruptible: bool
) -> None:
    queue, _ = SpeechQueue().push(utterance("low", priority, interruptible=interruptible), 0.0)
    warning = utterance("warning", Priority.WARNING, voice="Briar")
    queue, decisions = queue.push(warning, 0.1)
    assert decisions == (
        Cut(utterance("low", priority, interruptible=interruptible), by="warning"),
        Start(warning),
    )


def test_a_warning_does_not_cut_a_warning() -> None:
    queue, _ = SpeechQueue().push(utterance("first", Priority.WARNING), 0.0)
    queue, decisions = queue.push(utterance("second", Priority.WARNING), 0.1)
    assert decisions == ()
    _, decisions = queue.finish("first", 1.0)
    assert started(decisions) == ["second"]


def test_a_question_cuts_only_what_may_be_interrupted() -> None:
    for interruptible in (True, False):
        low = utterance("low", Priority.MOVE, interruptible=interruptible)
        queue, _ = SpeechQueue().push(low, 0.0)
        queue, decisions = queue.push(utterance("q", Priority.QUESTION, voice="Briar"), 0.5)
        assert cut(decisions) == (["low"] if interruptible else [])
        assert started(decisions) == []
        if interruptible:
            assert queue.wake_s == pytest.approx(0.75)


def test_nothing_is_cut_for_a_line_that_would_be_stale_after_the_gap() -> None:
    queue, _ = SpeechQueue().push(utterance("low", Priority.BANTER), 0.0)
    brief = utterance("q", Priority.QUESTION, voice="Briar", fresh_for_s=0.1)
    queue, decisions = queue.push(brief, 0.0)
    assert decisions == ()
    assert queue.sounding is not None


def test_two_voices_leave_a_breath_between_them() -> None:
    queue, _ = SpeechQueue().push(utterance("a", voice="Alder"), 0.0)
    queue, _ = queue.push(utterance("b", voice="Briar"), 0.0)
    queue, decisions = queue.finish("a", 1.0)
    assert started(decisions) == []
    assert queue.wake_s == pytest.approx(1.25)
    _, decisions = queue.advance(1.2)
    assert started(decisions) == []
    _, decisions = queue.advance(queue.wake_s or 0.0)
    assert started(decisions) == ["b"]


def test_one_voice_leaves_a_shorter_breath_between_its_own_lines() -> None:
    queue, _ = SpeechQueue().push(utterance("a"), 0.0)
    queue, _ = queue.push(utterance("b"), 0.0)
    queue, _ = queue.finish("a", 1.0)
    assert queue.wake_s == pytest.approx(1.1)
    _, decisions = queue.advance(queue.wake_s or 0.0)
    assert started(decisions) == ["b"]


def test_a_stale_line_is_dropped_and_reported_and_the_edge_still_counts() -> None:
    queue, _ = SpeechQueue().push(utterance("a", fresh_for_s=60.0), 0.0)
    queue, _ = queue.push(utterance("b", fresh_for_s=2.0), 0.0)
    on_edge, decisions = queue.finish("a", 1.0)
    _, decisions = on_edge.advance(2.0)
    assert started(decisions) == ["b"]
    wake_s = queue.wake_s
    assert wake_s is not None
    assert wake_s == math.nextafter(2.0, math.inf)
    queue, decisions = queue.advance(wake_s)
    assert dropped(decisions) == [("b", Why.EXPIRED)]
    assert queue.wake_s is None


def test_the_oldest_banter_makes_room_and_warnings_never() -> None:
    queue, _ = SpeechQueue(RULES).push(utterance("now", Priority.WARNING), 0.0)
    lost = []
    for name, priority in [
        ("b1", Priority.BANTER),
        ("b2", Priority.BANTER),
        ("q", Priority.QUESTION),
        *((f"w{n}", Priority.WARNING) for n in range(5)),
    ]:
        queue, decisions = queue.push(utterance(name, priority), 0.1)
        lost += dropped(decisions)
    assert lost == [(name, Why.CROWDED_OUT) for name in ("b1", "b2", "q")]
    assert len(queue.waiting) == 5


def test_clear_drops_what_waits_below_and_cuts_it() -> None:
    queue, _ = SpeechQueue().push(utterance("now", Priority.MOVE, interruptible=False), 0.0)
    queue, _ = queue.push(utterance("b", Priority.BANTER), 0.0)
    queue, _ = queue.push(utterance("m", Priority.MOVE), 0.0)
    queue, decisions = queue.clear(Priority.QUESTION, 0.5)
    assert dropped(decisions) == [("b", Why.CLEARED), ("m", Why.CLEARED)]
    assert cut(decisions) == ["now"]
    assert queue.sounding is None


def test_a_late_finish_of_a_cut_line_does_not_end_the_next() -> None:
    queue, _ = SpeechQueue().push(utterance("low", Priority.BANTER), 0.0)
    queue, _ = queue.push(utterance("w", Priority.WARNING), 0.1)
    queue, decisions = queue.finish("low", 0.2)
    assert decisions == ()
    assert queue.sounding is not None
    assert queue.sounding.id == "w"


def test_an_id_twice_is_a_mistake() -> None:
    queue, _ = SpeechQueue().push(utterance("a"), 0.0)
    with pytest.raises(ValueError, match="already"):
        queue.push(utterance("a"), 0.0)


PRIORITIES = st.sampled_from(list(Priority))


class Loudspeaker(RuleBasedStateMachine):
    """Carries decisions out as a loudspeaker would and holds the queue to its promises."""

    def __init__(self) -> None:
        super().__init__()
        self.queue = SpeechQueue(RULES)
        self.now_s = 0.0
        self.sounding: Utterance | None = None
        self.ended: tuple[str, float] | None = None
        self.pushed: dict[str, Utterance] = {}
        self.fates: dict[str, str] = {}

    def carry_out(self, decisions: Iterable[Decision]) -> None:
        for decision in decisions:
            u = decision.utterance
            if isinstance(decision, Cut):
                assert self.sounding == u, "cut what does not sound"
                by = self.pushed.get(decision.by or "")
                if by is not None:
                    assert by.priority > u.priority
                    assert u.interruptible or by.priority is Priority.WARNING
                self.sounding, self.ended = None, (u.voice, self.now_s)
            elif isinstance(decision, Start):
                assert self.sounding is None, "two at once"
                assert self.now_s <= u.fresh_until_s, "stale"
                self.settle(u, "started")
                if self.ended is not None and u.priority is not Priority.WARNING:
                    voice, ended_s = self.ended
                    same = voice == u.voice
                    gap_s = RULES.same_voice_gap_s if same else RULES.gap_s
                    assert self.now_s >= ended_s + gap_s
                for other in self.queue.waiting:
                    assert other.priority <= u.priority, "out of turn"
                self.sounding = u
            else:
                if decision.why is Why.EXPIRED:
                    assert self.now_s > u.fresh_until_s
                if decision.why is Why.CROWDED_OUT:
                    assert u.priority is not Priority.WARNING
                self.settle(u, decision.why.value)

    def settle(self, u: Utterance, fate: str) -> None:
        assert u.id in self.pushed
        assert u.id not in self.fates, "decided twice"
        self.fates[u.id] = fate

    @rule(
        priority=PRIORITIES,
        voice=st.sampled_from(["Alder", "Briar"]),
        interruptible=st.booleans(),
        fresh_for_s=st.sampled_from([-0.1, 0.0, 0.1, 0.25, 1.0, 8.0]),
    )
    def push(self, priority: Priority, voice: str, interruptible: bool, fresh_for_s: float) -> None:
        u = utterance(
            f"u{len(self.pushed)}",
            priority,
            voice=voice,
            interruptible=interruptible,
            born_s=self.now_s,
            fresh_for_s=fresh_for_s,
        )
        self.pushed[u.id] = u
        sounding = self.sounding
        warned = any(w.priority is Priority.WARNING for w in self.queue.waiting)
        self.queue, decisions = self.queue.push(u, self.now_s)
        self.carry_out(decisions)
        busy = sounding is not None and sounding.priority is Priority.WARNING
        if priority is Priority.WARNING and fresh_for_s >= 0 and not warned and not busy:
            assert self.sounding == u, "a warning had to wait"

    @rule(wait_s=st.sampled_from([0.0, 0.05, 0.1, 0.25, 0.3, 2.0, 10.0]))
    def let_time_pass(self, wait_s: float) -> None:
        self.now_s += wait_s
        self.queue, decisions = self.queue.advance(self.now_s)
        self.carry_out(decisions)

    @precondition(lambda self: self.queue.wake_s is not None)
    @rule()
    def wake(self) -> None:
        wake_s = self.queue.wake_s
        assert wake_s is not None
        self.now_s = max(self.now_s, wake_s)
        before = self.queue
        self.queue, decisions = self.queue.advance(self.now_s)
        self.carry_out(decisions)
        assert decisions, f"woken for nothing: {before}"

    @precondition(lambda self: self.sounding is not None)
    @rule()
    def playback_ends(self) -> None:
        assert self.sounding is not None
        ending, self.sounding = self.sounding, None
        self.ended = (ending.voice, self.now_s)
        self.queue, decisions = self.queue.finish(ending.id, self.now_s)
        self.carry_out(decisions)

    @rule(below=PRIORITIES)
    def clear(self, below: Priority) -> None:
        self.queue, decisions = self.queue.clear(below, self.now_s)
        self.carry_out(decisions)
        assert all(u.priority >= below for u in self.queue.waiting)

    @invariant()
    def nothing_is_lost(self) -> None:
        waiting = {u.id for u in self.queue.waiting}
        assert len(waiting) == len(self.queue.waiting)
        assert not waiting & self.fates.keys()
        assert waiting | self.fates.keys() == self.pushed.keys()
        assert self.queue.sounding == self.sounding

    @invariant()
    def it_is_bounded(self) -> None:
        lesser = [u for u in self.queue.waiting if u.priority is not Priority.WARNING]
        assert len(self.queue.waiting) <= RULES.most_waiting or not lesser

    def teardown(self) -> None:
        """Driven to the end by its own deadlines, it empties."""
        for _ in range(10 * len(self.pushed) + 10):
            if self.sounding is not None:
                self.now_s += 1.0
                self.playback_ends()
            elif self.queue.wake_s is not None:
                self.wake()
            else:
                break
        assert self.fates.keys() == self.pushed.keys()


TestLoudspeaker = Loudspeaker.TestCase
TestLoudspeaker.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)


@given(st.lists(st.tuples(PRIORITIES, st.floats(0.0, 3.0)), max_size=40))
def test_the_same_inputs_give_the_same_decisions(steps: list[tuple[Priority, float]]) -> None:
    def play() -> list[Decision]:
        queue, now_s, made = SpeechQueue(RULES), 0.0, list[Decision]()
        for count, (priority, wait_s) in enumerate(steps):
            now_s += wait_s
            queue, decisions = queue.push(utterance(str(count), priority, born_s=now_s), now_s)
            made += decisions
        return made

    assert play() == play()
