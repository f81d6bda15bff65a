"""The guard's loop: read the inputs, step the latch, act on the permit, then everything else.

One thread, one wait of at most 2 ms, no call that can block. Each turn judges every input's
age anew, so that no input waits for another. The order within a turn is the promise: the
permit drops before anything is recorded, told or asked. Called by the command line.
"""

from __future__ import annotations

import gc
import selectors
import sys
import time
from collections.abc import Callable, Mapping

from tablevoice.guard import latch, proof
from tablevoice.guard.channel import RESTART_AFTER_NS, Channel
from tablevoice.guard.clock import now_ns as read_clock
from tablevoice.guard.controller import Controller
from tablevoice.guard.inputs import Inputs
from tablevoice.guard.latch import InputRule, Level, Reset, Rules
from tablevoice.guard.priority import Favour
from tablevoice.guard.settings import Settings, SimulatedInput
from tablevoice.guard.sign_of_life import SignOfLife
from tablevoice.guard.status import status

MS = 1_000_000
LONGEST_TURN_NS = 2 * MS
STATUS_EVERY_NS = 250 * MS
CHANGES_EVERY_NS = 20 * MS
"""A rattling contact is told no oftener; a change of the latch is told at once."""
RESET_DEBOUNCE_NS = 20 * MS
LONGEST_GAP_NS = 50 * MS
"""A turn missing for longer is missing time: the inputs went unwatched."""
PROOF_STEADY_NS = 50 * MS
"""A press by hand lasts longer than this; a rattling contact does not."""
LAST_WORD_WITHIN_S = 0.3

CONTROLLER = "controller"
REPORTER = "reporter"


def rules_of(settings: Settings) -> Rules:
    """The latch's rules: the file's inputs, the controller's link (trip), the reporter (hold)."""
    return Rules(
        inputs=(
            *(InputRule(i.name, i.protective, i.clears_by_itself) for i in settings.inputs),
            InputRule(CONTROLLER),
            InputRule(REPORTER, protective=True),
        ),
        debounce_ns=settings.debounce_ns,
        press_shortest_ns=settings.press_shortest_ns,
        press_longest_ns=settings.press_longest_ns,
        reset_debounce_ns=RESET_DEBOUNCE_NS,
        longest_gap_ns=LONGEST_GAP_NS,
    )


class Guard:
    """Everything one guard holds; ``run`` is the loop."""

    def __init__(
        self,
        settings: Settings,
        favour: Favour,
        channel: Channel,
        earlier: Mapping[str, float],
        service: SignOfLife | None = None,
    ) -> None:
        self._settings, self._favour, self._channel = settings, favour, channel
        self._service = service if service is not None else SignOfLife()
        # select waits to the microsecond; epoll, as Python calls it, rounds up to milliseconds.
        self._selector = selectors.SelectSelector()
        self._inputs = Inputs(settings, self._selector)
        self._controller = Controller(settings.controller, settings.late_ns, self._selector)
        self._rules = rules_of(settings)
        now_ns = read_clock()
        self._state = latch.power_up(now_ns)
        self._since_ns = now_ns
        self._levels: tuple[Level, ...] = ()
        self._reset = Reset.UNREADABLE
        self._stops = [one.name for one in settings.inputs if not one.protective]
        self._simulated = [
            one.name for one in settings.inputs if isinstance(one.source, SimulatedInput)
        ]
        self._presses = {
            one.name: proof.from_earlier_run(earlier[one.name], time.time(), now_ns)
            if one.name in earlier
            else proof.Press()
            for one in settings.inputs
        }
        self._links: dict[str, str] = {}
        self._told: tuple[object, ...] = ()
        self._told_ns = 0
        self._restart_at_ns = 0

    def run(self, ending: Callable[[], bool]) -> None:
        """Turn until ``ending`` says so, then leave with the permit off."""
        # No collection of garbage may fall between an input and the permit.
        gc.collect()
        gc.freeze()
        gc.disable()
        self._state = latch.power_up(read_clock())
        self._channel.record("start", self._settings.table, read_clock())
        for what in self._favour.refused:
            self._channel.record("not_granted", what, read_clock())
        self._service.ready()
        try:
            while not ending():
                self.turn()
        finally:
            self._leave()

    def turn(self) -> None:
        """One wait and one pass."""
        wait_ns = min(self._inputs.ask_at_ns - read_clock(), LONGEST_TURN_NS)
        self._selector.select(max(wait_ns, 0) / 1e9)
        now_ns = read_clock()
        self._inputs.service(now_ns)
        self._controller.service(now_ns)
        hold_request = self._channel.hold_request()
        now_ns = read_clock()
        levels, reset = self._inputs.levels(now_ns)
        levels = (*levels, self._controller.level(now_ns), self._channel.level(now_ns))
        before = self._state
        self._state, happenings = latch.step(
            self._rules, before, levels, reset, hold_request, now_ns
        )
        if before.permit and not self._state.permit:
            self._controller.drop(now_ns)
        elif self._state.permit and not before.permit:
            self._controller.allow()
        # The permit is served. Everything from here on may come a moment later.
        self._controller.beat(now_ns)
        self._inputs.ask(now_ns)
        self._levels, self._reset = levels, reset
        for happening in happenings:
            self._channel.record(happening.kind, happening.why, now_ns)
        if self._state.permit != before.permit or self._state.latched != before.latched:
            self._since_ns = now_ns
        self._watch_presses(now_ns)
        self._tell(now_ns)
        self._service.turned(now_ns)
        if levels[-1] is not Level.CLOSED and not self._state.permit:
            self._restart_reporter(now_ns)

    def _watch_presses(self, now_ns: int) -> None:
        for name, level in zip(self._presses, self._levels, strict=False):
            press = proof.watch(self._presses[name], level, PROOF_STEADY_NS, now_ns)
            if press.proven_ns == now_ns and name not in self._simulated:
                self._channel.send({"type": "proof", "name": name, "wall_s": time.time()})
                self._channel.record("proven", name, now_ns)
            self._presses[name] = press

    def _tell(self, now_ns: int) -> None:
        told = (self._state.latched, self._state.causes, self._levels, self._reset)
        wait_ns = STATUS_EVERY_NS if told == self._told else CHANGES_EVERY_NS
        if now_ns - self._told_ns < wait_ns and told[:1] == self._told[:1]:
            return
        self._told, self._told_ns = told, now_ns
        links = {
            **self._inputs.links(),
            CONTROLLER: "" if self._controller.link.up else self._controller.link.why_down,
        }
        for where, why in links.items():
            if (why == "") != (self._links.get(where, "not yet") == ""):
                kind = "link_lost" if why else "link_up"
                self._channel.record(kind, f"{where} {why}".rstrip(), now_ns)
        self._links = links
        confirmed_ns = self._controller.dropped_to_confirmed_ns
        if confirmed_ns is not None:
            self._controller.dropped_to_confirmed_ns = None
            self._channel.record("permit_off_confirmed", f"{confirmed_ns / 1e6:.2f} ms", now_ns)
        verdict = proof.judge(
            self._stops, self._simulated, self._presses, self._settings.prove_every_ns, now_ns
        )
        self._channel.send(
            status(
                self._settings.table,
                self._rules,
                self._state,
                self._levels,
                self._reset,
                self._presses,
                verdict,
                links,
                self._favour,
                self._channel.lost,
                self._since_ns,
                now_ns,
            )
        )

    def _restart_reporter(self, now_ns: int) -> None:
        """Starting a process takes milliseconds, so only with the permit off, and not often."""
        if now_ns >= self._restart_at_ns:
            try:
                self._channel.start()
            except OSError as problem:
                print(f"guard: the reporter does not start: {problem}", file=sys.stderr)
            self._channel.record("reporter_started_again", "", now_ns)
            self._restart_at_ns = read_clock() + RESTART_AFTER_NS

    def _leave(self) -> None:
        """Permit off, and a short while for the controller to confirm it."""
        self._state = latch.ended(self._state)
        self._controller.drop(read_clock())
        until = time.monotonic() + LAST_WORD_WITHIN_S
        while self._controller.link.busy and time.monotonic() < until:
            self._selector.select(LONGEST_TURN_NS / 1e9)
            self._controller.service(read_clock())
        self._service.ending()
        self._channel.record("end", "permit off", read_clock())
        self._controller.link.close()
        self._channel.end()
