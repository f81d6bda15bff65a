"""Whose turn it is to sound: the one queue that owns the loudspeaker, as a pure value.

Knows priorities, freshness and the floor rule (one voice at a time, a breath between
two); knows no clock, no audio and no thread. The table pushes utterances, tells when
playback ended and calls :meth:`SpeechQueue.advance` at :attr:`SpeechQueue.wake_s`; the
decisions that come back are carried out in order by whoever holds the loudspeaker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import TypeAlias

from tablevoice.model import Priority, Utterance


class Why(Enum):
    """Why an utterance never sounded."""

    EXPIRED = "expired"
    CROWDED_OUT = "crowded_out"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Start:
    """Let it sound now. The loudspeaker is free: an earlier line ended or was cut."""

    utterance: Utterance


@dataclass(frozen=True, slots=True)
class Cut:
    """Silence it at once. ``by`` is the id of the utterance that takes the floor, if one does."""

    utterance: Utterance
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Dropped:
    """It will not sound, and why."""

    utterance: Utterance
    why: Why


Decision: TypeAlias = Start | Cut | Dropped


@dataclass(frozen=True, slots=True)
class QueueRules:
    """``most_waiting`` bounds the queue; the gaps are silence between two lines.

    Warnings are never crowded out: after ``most_warnings`` whoever sends them should wait. So
    many cannot be said while they are fresh.

    0.25 s between voices is the usual pause when speakers change turns; 0.1 s keeps two lines
    of one voice, whose padding is trimmed off, from running together.
    """

    most_waiting: int = 32
    most_warnings: int = 64
    gap_s: float = 0.25
    same_voice_gap_s: float = 0.1

    def __post_init__(self) -> None:
        if self.most_waiting < 1 or self.gap_s < 0 or self.same_voice_gap_s < 0:
            raise ValueError(f"a queue needs room for one and gaps of 0 s or more: {self}")


@dataclass(frozen=True, slots=True)
class SpeechQueue:
    """The state: what sounds, what waits (in order of arrival), who spoke last and until when.

    Every method returns a new state and the decisions, in the order to carry them out.
    Each pushed utterance is started or dropped exactly once; one that was started ends
    by :meth:`finish` or by a :class:`Cut`.
    """

    rules: QueueRules = field(default_factory=QueueRules)
    sounding: Utterance | None = None
    waiting: tuple[Utterance, ...] = ()
    last_voice: str | None = None
    last_ended_s: float = -math.inf

    def push(self, utterance: Utterance, now_s: float) -> tuple[SpeechQueue, tuple[Decision, ...]]:
        """Queue it: it starts, waits, cuts what sounds, or is dropped.

        Raises ``ValueError`` when its id is already waiting or sounding.
        """
        present = (*self.waiting, self.sounding) if self.sounding else self.waiting
        if any(utterance.id == other.id for other in present):
            raise ValueError(f"utterance {utterance.id!r} is in the queue already")
        state = replace(self, waiting=(*self.waiting, utterance))
        state, decisions = state.advance(now_s)
        # Crowding out comes last, so that the one that starts at once takes no place.
        state, crowded = state._crowd_out()
        return state, (*decisions, *crowded)

    def finish(self, utterance_id: str, now_s: float) -> tuple[SpeechQueue, tuple[Decision, ...]]:
        """Playback of that utterance ended. One that was cut meanwhile is passed over."""
        if self.sounding is None or self.sounding.id != utterance_id:
            return self.advance(now_s)
        return self._silent(now_s).advance(now_s)

    def clear(self, below: Priority, now_s: float) -> tuple[SpeechQueue, tuple[Decision, ...]]:
        """Drop all that waits below that priority, and cut it if it sounds."""
        cleared = tuple(u for u in self.waiting if u.priority < below)
        state = replace(self, waiting=tuple(u for u in self.waiting if u.priority >= below))
        decisions: tuple[Decision, ...] = tuple(Dropped(u, Why.CLEARED) for u in cleared)
        if state.sounding is not None and state.sounding.priority < below:
            decisions = (*decisions, Cut(state.sounding))
            state = state._silent(now_s)
        state, more = state.advance(now_s)
        return state, (*decisions, *more)

    def advance(self, now_s: float) -> tuple[SpeechQueue, tuple[Decision, ...]]:
        """Let time have its effect: drop what expired, start or cut for what is next."""
        expired = tuple(u for u in self.waiting if now_s > u.fresh_until_s)
        state = replace(self, waiting=tuple(u for u in self.waiting if now_s <= u.fresh_until_s))
        decisions: tuple[Decision, ...] = tuple(Dropped(u, Why.EXPIRED) for u in expired)
        head = state._head()
        if head is None:
            return state, decisions
        if state.sounding is not None and state._may_cut(head, state.sounding, now_s):
            decisions = (*decisions, Cut(state.sounding, by=head.id))
            state = state._silent(now_s)
        if state.sounding is None and now_s >= state._free_for(head):
            decisions = (*decisions, Start(head))
            state = replace(
                state,
                sounding=head,
                waiting=tuple(u for u in state.waiting if u.id != head.id),
            )
        return state, decisions

    def room_for(self, priority: Priority) -> bool:
        """Whether a further one may wait: it crowds none out, or is not one warning too many."""
        if priority < Priority.WARNING:
            return len(self.waiting) < self.rules.most_waiting
        warnings = sum(waits.priority is Priority.WARNING for waits in self.waiting)
        return warnings < self.rules.most_warnings

    @property
    def wake_s(self) -> float | None:
        """When :meth:`advance` will have something to do if nothing else happens before."""
        head = self._head()
        if head is None:
            return None
        # A line may still start at the very moment its freshness ends, so it is dropped
        # at the first moment after.
        moments = [math.nextafter(u.fresh_until_s, math.inf) for u in self.waiting]
        if self.sounding is None:
            moments.append(self._free_for(head))
        return min(moments)

    def _head(self) -> Utterance | None:
        # max() keeps the first of equals: first come, first served within a priority.
        return max(self.waiting, key=lambda u: u.priority, default=None)

    def _free_for(self, utterance: Utterance) -> float:
        """When the floor is free for it; a warning waits for nothing."""
        if utterance.priority is Priority.WARNING or self.last_voice is None:
            return -math.inf
        same = utterance.voice == self.last_voice
        return self.last_ended_s + (self.rules.same_voice_gap_s if same else self.rules.gap_s)

    def _may_cut(self, head: Utterance, sounding: Utterance, now_s: float) -> bool:
        if head.priority <= sounding.priority:
            return False
        if head.priority is Priority.WARNING:
            return True
        # Not when it would be stale before the gap is over: that would cut for nothing.
        after_cut = self._silent(now_s)
        return sounding.interruptible and after_cut._free_for(head) <= head.fresh_until_s

    def _silent(self, now_s: float) -> SpeechQueue:
        voice = self.sounding.voice if self.sounding else self.last_voice
        return replace(self, sounding=None, last_voice=voice, last_ended_s=now_s)

    def _crowd_out(self) -> tuple[SpeechQueue, tuple[Decision, ...]]:
        state, decisions = self, list[Decision]()
        while len(state.waiting) > self.rules.most_waiting:
            victim = min(state.waiting, key=lambda u: u.priority)
            if victim.priority is Priority.WARNING:
                break  # warnings go by their own freshness only
            state = replace(state, waiting=tuple(u for u in state.waiting if u.id != victim.id))
            decisions.append(Dropped(victim, Why.CROWDED_OUT))
        return state, tuple(decisions)
