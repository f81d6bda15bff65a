"""What the guard must withstand, each as something to switch on while stops are pressed.

Shared by the tests (few trips, hard assertions) and the benchmark (many trips, percentiles).
A host fault disturbs the computer the guard runs on; a link fault spoils a Modbus link and is
itself the reason to stop. Reactions are what the controller's process saw.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tablevoice.guard.clock import now_ns
from tests.guard.cell import (
    HEARTBEAT_MS,
    MS,
    RESET,
    STOP,
    FaultProxy,
    GuardProcess,
    LibmodbusBlock,
    Seen,
    controller_stop_ns,
    guard_file,
    open_with_permit,
)

TWO_PERIODS_NS = 2 * HEARTBEAT_MS * MS
MARGIN_NS = 50 * MS
FAKETIME = [str(path) for path in Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")]


@dataclass
class Result:
    """Reactions (ns) of one fault's trips, and what must be empty."""

    name: str
    reactions_ns: list[int] = field(default_factory=list)
    began_ns: list[int] = field(default_factory=list)
    """When each of them began, by the guard's clock."""
    unseen: int = 0
    """Trips after which the controller's view never became "stop"."""
    wrong: list[tuple[int, int]] = field(default_factory=list)
    """Times at which the controller might run with the stop open for longer than 50 ms."""


class Lane:
    """An input block, a controller, a guard between them, and a proxy on each link if wanted."""

    def __init__(
        self,
        folder: Path,
        program: Path,
        *,
        proxied: bool = False,
        more: str = "",
        environment_more: dict[str, str] | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._stack = contextlib.ExitStack()
        self._program = program
        self.random = random.Random(str(folder))
        try:
            self.inputs: LibmodbusBlock = self._stack.enter_context(LibmodbusBlock(program))
            self.controller: LibmodbusBlock = self._stack.enter_context(LibmodbusBlock(program))
            input_port, controller_port = self.inputs.port, self.controller.port
            self.proxies: dict[str, FaultProxy] = {}
            if proxied:
                self.proxies["inputs"] = self._stack.enter_context(FaultProxy(input_port))
                self.proxies["controller"] = self._stack.enter_context(FaultProxy(controller_port))
                input_port = self.proxies["inputs"].port
                controller_port = self.proxies["controller"].port
            self.guard = self._stack.enter_context(
                GuardProcess(
                    guard_file(folder, input_port, controller_port, more=more),
                    more=environment_more,
                )
            )
            self._stack.callback(self._stop_blocks)
        except BaseException:
            self._stack.close()
            raise

    def _stop_blocks(self) -> None:
        """Those of now: a restart has put new ones in the place of the first."""
        self.inputs.stop()
        self.controller.stop()

    def close(self) -> None:
        self._stack.close()

    def __enter__(self) -> Lane:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def arm(self, within_s: float = 60.0) -> None:
        """Close the stop and press the reset until the permit comes on (it must be off before)."""
        self.inputs.contact(STOP, True)
        until_s = time.monotonic() + within_s
        pause_s = 0.03
        mark = self.controller.mark()
        while True:
            time.sleep(pause_s)
            self.inputs.contact(RESET, True)
            time.sleep(max(0.03, pause_s / 2))
            self.inputs.contact(RESET, False)
            if self.controller.wait_for("permit", True, mark, within_s=0.2):
                if self.controller.permit:
                    return
                mark = self.controller.mark()  # it came and went: a busy peer answered late
            assert time.monotonic() < until_s, "the guard does not arm"
            pause_s = min(pause_s * 2, 0.8)

    def opened(self) -> int:
        """Press the stop at a random moment; when the input block opened it."""
        time.sleep(self.random.uniform(0, 0.01))
        return self.inputs.contact(STOP, False).at_ns

    def reaction_ns(self, from_ns: int, within_s: float = 20.0) -> int | None:
        """How long after ``from_ns`` the controller's view was "stop"."""
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            found = controller_stop_ns(self.controller.seen[-400:], from_ns)
            if found is not None:
                return found - from_ns
            time.sleep(0.002)
            self.controller.catch_up()
        return None

    def trip(self, result: Result, press: Callable[[], int] | None = None) -> None:
        """Arm, press the stop (or do ``press``), note the reaction, check the logs."""
        self.arm()
        self.trip_armed(result, press or self.opened)

    def trip_armed(
        self, result: Result, press: Callable[[], int], margin_ns: int = MARGIN_NS
    ) -> None:
        """The trip itself, of a lane that is armed."""
        since_ns = now_ns()
        began_ns = press()
        reaction_ns = self.reaction_ns(began_ns)
        time.sleep(self.random.uniform(0.002, 0.01))
        if reaction_ns is None:
            result.unseen += 1
        else:
            result.reactions_ns.append(reaction_ns)
            result.began_ns.append(began_ns)
        self.inputs.catch_up()
        self.controller.catch_up()
        result.wrong += open_with_permit(
            self.inputs.seen, self.controller.seen[-400:], margin_ns, since_ns
        )

    def restart(self, side: str) -> int:
        """Kill a block's process and start it again on its port; when it was killed."""
        old = self.inputs if side == "inputs" else self.controller
        with at_once():
            at_ns = now_ns()
            old.kill()
        old.stop()
        until_s = time.monotonic() + 10
        while True:
            try:
                fresh = LibmodbusBlock(self._program, old.port)
                break
            except AssertionError:
                if time.monotonic() > until_s:
                    raise
                time.sleep(0.02)
        fresh.seen[:0] = old.seen
        if side == "inputs":
            self.inputs = fresh
        else:
            # A controller without power has no coil on; its log of before did not see that.
            fresh.seen.insert(len(old.seen), Seen(at_ns, "permit", False))
            self.controller = fresh
        return at_ns


@contextlib.contextmanager
def at_once() -> Iterator[None]:
    """Let this thread's few steps be done together, where the system allows it.

    A time taken here and the fault it stands for would lie apart by however long a busy
    machine puts this process aside between the two.
    """
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(60))
    except (OSError, AttributeError):
        yield  # refused, or no such thing on this system
        return
    try:
        yield
    finally:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


# --- faults of the computer ---------------------------------------------------------------


@contextlib.contextmanager
def nothing(_guards: Sequence[GuardProcess]) -> Iterator[None]:
    yield


@contextlib.contextmanager
def processes(commands: Sequence[Sequence[str]]) -> Iterator[list[subprocess.Popen[bytes]]]:
    started = [
        subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        for command in commands
    ]
    try:
        yield started
    finally:
        for one in started:
            one.kill()
            one.wait()


@contextlib.contextmanager
def every_core_busy(_guards: Sequence[GuardProcess]) -> Iterator[None]:
    spin = [sys.executable, "-c", "while True: pass"]
    with processes([spin] * (2 * (os.cpu_count() or 1))):
        yield


LISTENER = """
import socket, sys
connections = []
for path in sys.argv[1:]:
    connections.append(socket.socket(socket.AF_UNIX)); connections[-1].connect(path)
while True:
    for one in connections: one.recv(65536)
"""


@contextlib.contextmanager
def again_and_again(start: Callable[[], None], every_s: float) -> Iterator[None]:
    ending = threading.Event()

    def work() -> None:
        while not ending.wait(every_s):
            start()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join(30)


def _status_paths(guards: Sequence[GuardProcess]) -> list[str]:
    return [str(guard.status_path) for guard in guards]


@contextlib.contextmanager
def talking_half_killed(guards: Sequence[GuardProcess]) -> Iterator[None]:
    """A client of every status address, killed and started again all the time."""
    command = [sys.executable, "-c", LISTENER, *_status_paths(guards)]
    current = [subprocess.Popen(command)]

    def again() -> None:
        current[0].kill()
        current[0].wait()
        current[0] = subprocess.Popen(command, stderr=subprocess.DEVNULL)

    try:
        with again_and_again(again, 0.3):
            yield
    finally:
        current[0].kill()
        current[0].wait()


@contextlib.contextmanager
def talking_half_stopped(guards: Sequence[GuardProcess]) -> Iterator[None]:
    """A client of every status address that is frozen, and never reads."""
    command = [sys.executable, "-c", LISTENER, *_status_paths(guards)]
    current = [subprocess.Popen(command)]
    time.sleep(0.3)
    current[0].send_signal(signal.SIGSTOP)

    def again() -> None:
        current[0].kill()
        current[0].wait()
        current[0] = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        time.sleep(0.3)
        current[0].send_signal(signal.SIGSTOP)

    try:
        with again_and_again(again, 4.0):  # it is dropped for being slow, and comes back
            yield
    finally:
        current[0].kill()
        current[0].wait()


ALLOCATE = """
import resource, sys, time
time.sleep(0.05)  # until it is in its group
for most in sys.argv[1:]: resource.setrlimit(resource.RLIMIT_AS, (int(most), int(most)))
open("/proc/self/oom_score_adj", "w").write("1000")
kept = []
while True: kept.append(bytearray(b"x") * (16 << 20))
"""
CGROUP = Path("/sys/fs/cgroup/memory")
MOST_BYTES = 1_200_000_000


@contextlib.contextmanager
def allocating_until_killed(_guards: Sequence[GuardProcess]) -> Iterator[None]:
    """A process that fills a memory group of 1.2 GB until the system kills it, again and again.

    Where no such group can be made, its address space is limited instead.
    """
    group = CGROUP / f"tablevoice_test_{os.getpid()}"
    try:
        group.mkdir()
        (group / "memory.limit_in_bytes").write_text(str(MOST_BYTES))
        grouped = True
    except OSError:
        grouped = False

    def again() -> None:
        with subprocess.Popen(
            [sys.executable, "-c", ALLOCATE, *([] if grouped else [str(MOST_BYTES)])],
            stderr=subprocess.DEVNULL,
        ) as process:
            if grouped:
                with contextlib.suppress(OSError):
                    (group / "cgroup.procs").write_text(str(process.pid))
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()

    try:
        with again_and_again(again, 0.05):
            yield
    finally:
        if grouped:
            with contextlib.suppress(OSError):
                group.rmdir()


@contextlib.contextmanager
def status_flooded(guards: Sequence[GuardProcess]) -> Iterator[None]:
    """A process that pours bytes into every status address as fast as it can."""
    flood = """
import json, os, random, socket, sys
while True:
    for path in sys.argv[1:]:
        try:
            one = socket.socket(socket.AF_UNIX); one.settimeout(0.05); one.connect(path)
            for _ in range(50):
                one.sendall(random.choice([
                    b'{"hold": "none"}\\n' * 200, os.urandom(4000) + b"\\n",
                    b'{"reset": true}\\n' * 200, b"x" * 4000]))
        except OSError: pass
        finally: one.close()
"""
    with processes([[sys.executable, "-c", flood, *_status_paths(guards)]]):
        yield


HOST_FAULTS: dict[str, Callable[[Sequence[GuardProcess]], contextlib.AbstractContextManager[None]]]
HOST_FAULTS = {
    "nothing else running": nothing,
    "every core spinning": every_core_busy,
    "talking half killed again and again": talking_half_killed,
    "talking half frozen": talking_half_stopped,
    "a process allocating until killed": allocating_until_killed,
    "status address flooded": status_flooded,
}

LINK_FAULTS = (
    "half_open",
    "late 60",
    "exception 4",
    "wrong_transaction",
    "wrong_unit",
    "short",
    "garbage",
)
RATTLES_HZ = (50, 500, 5_000)


def link_trip(lane: Lane, side: str, fault: str, result: Result) -> None:
    """Spoil one link while armed; on the input side the stop is pressed in the same moment."""
    proxy = lane.proxies[side]
    lane.arm()

    def press() -> int:
        time.sleep(lane.random.uniform(0, 0.01))
        began_ns = proxy.fault(fault)
        lane.inputs.contact(STOP, False)
        return began_ns

    lane.trip_armed(result, press, MARGIN_NS if side == "inputs" else TWO_PERIODS_NS)
    proxy.fault("pass")
