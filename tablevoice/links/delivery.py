"""The rules by which events are taken: once each, in order of arrival, while they are worth it.

Pure: who calls passes the time in. Knows ids, contents and ages of events; the table asks it
about each and tells it what became of them. What is to outlive a restart it gives back as
values, for the history.

* **Twice.** The same id with the same contents is the same event, and has one outcome. While
  it is open nothing happens; once it is over or refused, that is told again, and nothing is
  said again. The same id with other contents is refused, unless the first was refused itself.
  A restart forgets refusals; what was taken it keeps.
* **Late.** An event that says when it was sent (``sent_utc``) is refused once it is older than
  its line is worth (``fresh_for_s``), with an error that says by how much. So is one whose
  message expiry has run out.
* **A clock that is wrong mutes nobody.** What comes from the future was sent now. Ages that
  stay the same over three events, seconds apart, are the distance of two clocks and not
  lateness: a backlog's ages shrink. Either is reported once.
* **Order.** Each event stands for itself and counts when it arrives; ``sent_utc`` puts nothing
  in another order.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias

from tablevoice.errors import MessageRefused, Problem
from tablevoice.links import messages
from tablevoice.links.doors import door_of
from tablevoice.links.json_lines import encode
from tablevoice.model import Event, Taken

Outcome: TypeAlias = messages.AnswerGiven | messages.Done | messages.ErrorReported

IDS_REMEMBERED = 4096
"""Events that are over, and as many that were refused: hours of a busy table."""
PRESSES_REMEMBERED = 256

AHEAD_S = 5.0
"""A clock that is ahead by more is reported; clocks kept by NTP agree within far less."""
AGREE_S = 1.0
"""Ages that differ by less are the same: more than a network's delays differ."""
APART_S = 2.0
"""A backlog comes in a burst; events so far apart are not of one burst."""
AGES_THAT_AGREE = 3
AGES_REMEMBERED = 32


@dataclass(frozen=True, slots=True)
class Arrival:
    """What is known of an event's age. ``sent_ago_s``: by the clock of whoever sent it, which
    may be wrong, and so below 0. ``worth_s``: how long its way says that it is still worth
    anything (MQTT's message expiry)."""

    sent_ago_s: float | None = None
    worth_s: float | None = None


def sent_ago_s(message: messages.Inbound, now: datetime) -> float | None:
    """How long before ``now`` the message was sent; ``None`` where it does not say."""
    if not isinstance(message, messages.EventReported) or message.sent_utc is None:
        return None
    return (now - messages.moment(message.sent_utc)).total_seconds()


# --- twice ----------------------------------------------------------------------


class Ledger:
    """Which events were taken, and what became of them.

    ``lasting``: the doors whose peers give an id once and for all, so that it stays taken over
    a restart; other peers come and go with the session. ``past``: what an earlier session
    took, oldest first.
    """

    def __init__(self, past: Iterable[Taken] = (), lasting: Collection[str] = ()) -> None:
        self._lasting = frozenset(lasting)
        self._open: dict[str, Event] = {}
        self._over: OrderedDict[str, tuple[Event, Outcome]] = OrderedDict()
        self._refused: OrderedDict[str, tuple[Event, Outcome]] = OrderedDict()
        self._presses: OrderedDict[str, None] = OrderedDict()
        for taken in past:
            if taken.outcome:
                self._remember(self._over, taken.event, _outcome(taken.outcome))
            else:
                self._open[taken.event.id] = taken.event

    def interrupted(self, now_s: float) -> list[Outcome]:
        """What to tell of each event that was open when the table stopped without closing."""
        return [
            messages.ErrorReported(
                at_s=now_s, what="the table stopped while this event was open.",
                where=f"event {event_id!r}", id=event_id,
                do="It may have been said. Send it with another id if it is still worth it.",
            )
            for event_id in self._open
        ]  # fmt: skip

    def outcome_of(self, message: messages.EventReported) -> Outcome | None:
        """What became of an event that was taken before and is over."""
        over = self._over.get(message.id) or self._refused.get(message.id)
        return None if over is None else over[1]

    def knows(self, message: messages.EventReported) -> bool:
        """Whether this event was taken before. Raises MessageRefused for other contents."""
        refused = self._refused.get(message.id)
        if refused is not None:
            return _same(refused[0], message)
        over = self._over.get(message.id)
        known = over[0] if over is not None else self._open.get(message.id)
        if known is None:
            return False
        if not _same(known, message):
            raise MessageRefused(
                "an event with this id but other contents was reported before.",
                where=f"event {message.id!r}",
                do="Give each event an id of its own; the first one stands.",
            )  # fmt: skip
        return True

    def pressed_before(self, press_id: str | None) -> bool:
        """Whether a press with this id came before; notes it."""
        if press_id is None:
            return False
        known = press_id in self._presses
        self._presses[press_id] = None
        if len(self._presses) > PRESSES_REMEMBERED:
            self._presses.popitem(last=False)
        return known

    def take(self, event: Event) -> list[Taken]:
        """The event is taken and open. Gives what the history is to keep of it."""
        self._open[event.id] = event
        self._refused.pop(event.id, None)
        return [Taken(event)] if self._lasts(event.id) else []

    def settle(self, outcome: Outcome, *, refused: bool = False) -> list[Taken]:
        """An open event is over. Gives what the history is to keep of it."""
        event = self._open.pop(outcome.id or "", None)
        if event is None:
            return []
        if refused:
            self._remember(self._refused, event, outcome)
        else:
            self._remember(self._over, event, outcome)
        if not self._lasts(event.id):
            return []
        return [Taken(event, encode(outcome).decode(), refused=refused)]

    def refuse(self, message: messages.EventReported, outcome: Outcome) -> None:
        """The event was not taken at all."""
        event = Event(message.id, message.event, dict(message.slots))
        self._remember(self._refused, event, outcome)

    def _remember(
        self, where: OrderedDict[str, tuple[Event, Outcome]], event: Event, outcome: Outcome
    ) -> None:
        where[event.id] = (event, outcome)
        if len(where) > IDS_REMEMBERED:
            where.popitem(last=False)

    def _lasts(self, event_id: str) -> bool:
        return door_of(event_id) in self._lasting


def _same(event: Event, message: messages.EventReported) -> bool:
    return (event.name, dict(event.slots)) == (message.event, message.slots)


def _outcome(line: str) -> Outcome:
    for kind in (messages.AnswerGiven, messages.Done):
        if f'"type":"{kind.model_fields["type"].default}"' in line[:40]:
            return kind.model_validate_json(line)
    return messages.ErrorReported.model_validate_json(line)


# --- late -----------------------------------------------------------------------


class SenderClocks:
    """Tells lateness from clocks that are wrong. Peers behind one door are looked at together."""

    def __init__(self) -> None:
        self._ages: dict[str, deque[tuple[float, float]]] = {}
        self._reported: set[tuple[str, str]] = set()

    def left_s(
        self, event_id: str, arrival: Arrival, fresh_for_s: float, now_s: float
    ) -> tuple[float, list[Problem]]:
        """For how much longer a line of the event is worth starting, and what is to be reported.

        ``fresh_for_s``: how long after it was sent. Raises MessageRefused when it came too late.
        """
        if arrival.worth_s is not None and arrival.worth_s <= 0:
            raise MessageRefused(
                "the event expired on its way.", where=f"event {event_id!r}",
                do="Send it sooner, or with a longer message expiry.",
            )  # fmt: skip
        age_s = 0.0
        problems: list[Problem] = []
        if arrival.sent_ago_s is not None:
            age_s, problems = self.age_s(event_id, arrival.sent_ago_s, fresh_for_s, now_s)
        left_s = fresh_for_s - age_s
        return left_s if arrival.worth_s is None else min(left_s, arrival.worth_s), problems

    def age_s(
        self, event_id: str, sent_ago_s: float, worth_s: float, now_s: float
    ) -> tuple[float, list[Problem]]:
        """How old the event is to be taken for, and what is to be reported of its sender.

        ``worth_s``: how old it may be. Raises MessageRefused when it is older.
        """
        door = door_of(event_id)
        if sent_ago_s < 0:
            ahead = sent_ago_s < -AHEAD_S
            return 0.0, self._report(door, "ahead of", -sent_ago_s) if ahead else []
        if sent_ago_s <= worth_s:
            return sent_ago_s, []
        ages = self._ages.setdefault(door, deque(maxlen=AGES_REMEMBERED))
        ages.append((now_s, sent_ago_s))
        if _how_many_agree(ages, sent_ago_s) >= AGES_THAT_AGREE:
            return 0.0, self._report(door, "behind", sent_ago_s)
        raise MessageRefused(
            f"the event came {sent_ago_s - worth_s:.1f} s too late: it was sent "
            f"{sent_ago_s:.1f} s ago, and its line is worth {worth_s:g} s.",
            where=f"event {event_id!r}, field 'sent_utc'",
            do="If it was sent just now, set the clocks. Else raise 'fresh_for_s' of the event "
            "in the phrasebook, if it is worth more.",
        )  # fmt: skip

    def _report(self, door: str, how: str, distance_s: float) -> list[Problem]:
        if (door, how) in self._reported:
            return []
        self._reported.add((door, how))
        return [Problem(
            f"the clock of a sender is {distance_s:.0f} s {how} the table's: its events count "
            "as sent when they arrive.", door or "standard input", "Set the clocks, by NTP.",
        )]  # fmt: skip


def _how_many_agree(ages: Iterable[tuple[float, float]], age_s: float) -> int:
    """How many of these agree with the newest in age, each ``APART_S`` after the one before."""
    count, last_s = 0, -float("inf")
    for at_s, other_s in ages:
        if abs(other_s - age_s) <= AGREE_S and at_s - last_s >= APART_S:
            count, last_s = count + 1, at_s
    return count
