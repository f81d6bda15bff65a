"""Stands in for the cell's controller: reports its events in turn, waits, obeys holds.

Knows the protocol (events out, answers in, a hold cleared only by its own reset) and what
is reported as a generator; knows no audio. A rehearsal drives it with the table's messages.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field

from tablevoice.links import messages
from tablevoice.links.messages import Inbound, Outbound
from tablevoice.model import SlotValue

Later = Callable[[float, Callable[[], None]], None]
"""Has a call happen so many seconds from now."""


@dataclass(frozen=True, slots=True)
class Report:
    """An event for the table, ``after_s`` seconds of machine motion after the last outcome."""

    event: str
    slots: Mapping[str, SlotValue] = field(default_factory=dict)
    after_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a report: ``answer`` is the person's when a question was asked."""

    answer: str | None = None


Play = Generator[Report, Outcome, None]


class Controller:
    """Sends ``play``'s reports one after the other, each when the last one was answered.

    ``send`` gives a message to the table, ``later`` waits. A hold stops the game until
    the person presses the reset at the machine, ``reset_after_s`` after the request.
    Where a stop guard watches the cell, the reset goes to the guard
    (``press_reset``) and the game waits until the guard has armed the cell again; else
    ``resumed`` is the event that is reported after it.
    """

    def __init__(
        self,
        play: Play,
        send: Callable[[Inbound], None],
        later: Later,
        reset_after_s: float,
        press_reset: Callable[[], None] | None = None,
        resumed: str | None = "resumed",
    ) -> None:
        self._resumed = resumed
        self._press_reset = press_reset
        self.finished = False
        self.refused: messages.ErrorReported | None = None
        self._play = play
        self._send = send
        self._later = later
        self._reset_after_s = reset_after_s
        self._events = 0
        self._open: tuple[str, Report] | None = None
        self._held = False
        self._after_hold: Report | None = None

    def begin(self) -> None:
        """Report the first event."""
        try:
            self._plan(next(self._play))
        except StopIteration:
            self.finished = True

    def hears(self, message: Outbound) -> None:
        """A message of the table."""
        match message:
            case messages.HoldRequest() if not self._held and self._press_reset is None:
                self._held = True
                self._later(self._reset_after_s, self._reset)
            case messages.GuardReported(armed=False) if not self._held:
                self._held = True
                if self._press_reset is not None:
                    self._later(self._reset_after_s, self._press_reset)
            case messages.GuardReported(armed=True) if self._held:
                self._held = False
                self._resume()
            case messages.AnswerGiven(id=event_id, value=value) if self._is_open(event_id):
                self._go_on(Outcome(value))
            case messages.Done(id=event_id) if self._is_open(event_id):
                self._go_on(Outcome())
            case messages.ErrorReported(id=str(event_id)) as error if self._is_open(event_id):
                # Refused because of the hold: reported again when it is over.
                report = self._open[1] if self._open else None
                self._open = None
                if self._held:
                    self._after_hold = report
                else:
                    self.finished, self.refused = True, error
            case _:
                pass

    def _is_open(self, event_id: str) -> bool:
        return self._open is not None and self._open[0] == event_id

    def _go_on(self, outcome: Outcome) -> None:
        self._open = None
        try:
            self._plan(self._play.send(outcome))
        except StopIteration:
            self.finished = True

    def _plan(self, report: Report) -> None:
        self._later(report.after_s, lambda: self._report(report))

    def _report(self, report: Report) -> None:
        if self._held:
            self._after_hold = report
            return
        self._events += 1
        event_id = f"e{self._events}"
        self._open = (event_id, report)
        slots = dict(report.slots)
        self._send(messages.EventReported(id=event_id, event=report.event, slots=slots))

    def _reset(self) -> None:
        self._held = False
        self._send(messages.HoldClearedReported(by="reset button"))
        if self._resumed is not None:
            self._events += 1
            self._send(messages.EventReported(id=f"e{self._events}", event=self._resumed))
        self._resume()

    def _resume(self) -> None:
        if self._after_hold is not None:
            report, self._after_hold = self._after_hold, None
            self._later(2.0, lambda: self._report(report))
