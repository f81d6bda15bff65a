"""A small cell of real processes: I/O blocks by two foreign Modbus servers, faults, a guard.

Used by the guard's tests and by its benchmark. Times are nanoseconds of the guard's clock,
taken in the peer processes, so that a reaction is what the peer saw.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
MS = 1_000_000
HEARTBEAT_MS = 50
STOP, RESET, SPARE = 0, 1, 3
WAIT_S = 60.0


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}


@dataclass(frozen=True, slots=True)
class Seen:
    """Something a peer saw: ``kind`` is contact, permit or heartbeat."""

    at_ns: int
    kind: str
    value: bool
    address: int = -1


class Block:
    """A peer process: moves contacts, remembers what it saw."""

    def __init__(self) -> None:
        self.seen: list[Seen] = []
        self.port = 0
        self.real_time = False
        self._news = threading.Condition()
        self._ended = False

    def add(self, seen: Seen) -> None:
        with self._news:
            self.seen.append(seen)
            self._news.notify_all()

    def wait_for(
        self, kind: str, value: bool, after: int, within_s: float = WAIT_S, address: int = -1
    ) -> Seen | None:
        """The first such sight from index ``after`` on; None when none came in time."""
        until_s = time.monotonic() + within_s
        with self._news:
            place = after
            while True:
                while place < len(self.seen):
                    one = self.seen[place]
                    place += 1
                    if (one.kind, one.value) == (kind, value) and address in (-1, one.address):
                        return one
                left_s = until_s - time.monotonic()
                if left_s <= 0 or self._ended:
                    return None
                self._news.wait(left_s)

    def mark(self) -> int:
        with self._news:
            return len(self.seen)

    def contact(self, address: int, closed: bool) -> Seen:
        """Move a contact and return when the peer did so."""
        mark = self.mark()
        self._move(address, closed)
        moved = self.wait_for("contact", closed, mark, address=address)
        assert moved is not None, "the peer did not move its contact"
        return moved

    def _move(self, address: int, closed: bool) -> None:
        raise NotImplementedError

    def catch_up(self) -> int:
        """Wait until all that the peer has seen so far is in the log; the peer's time."""
        return self.contact(SPARE, False).at_ns

    def press_reset(self, for_s: float = 0.1) -> None:
        self.contact(RESET, True)
        time.sleep(for_s)
        self.contact(RESET, False)

    @property
    def permit(self) -> bool:
        with self._news:
            for one in reversed(self.seen):
                if one.kind == "permit":
                    return one.value
        return False

    def stop(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Any:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()


def libmodbus_missing() -> str:
    """Why the C peer cannot be built here, with the command that mends it; empty when it can."""
    if shutil.which("gcc") and shutil.which("pkg-config"):
        found = subprocess.run(["pkg-config", "--exists", "libmodbus"], check=False)
        if found.returncode == 0:
            return ""
    return "needs gcc and libmodbus: apt-get install gcc pkg-config libmodbus-dev"


def build_libmodbus_block(folder: Path) -> Path:
    """Compile the C peer into ``folder``."""
    flags = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    return build(folder, "libmodbus_block", flags)


def build(folder: Path, name: str, flags: Sequence[str] = ()) -> Path:
    """Compile a C program that stands beside this file."""
    program = folder / name
    source = Path(__file__).with_name(f"{name}.c")
    subprocess.run(
        ["gcc", "-O2", "-Wall", "-Werror", "-o", str(program), str(source), *flags], check=True
    )
    return program


class LibmodbusBlock(Block):
    """The C peer made of libmodbus. Contact 0 is the stop, contact 1 the reset."""

    def __init__(self, program: Path, port: int = 0, contacts: int = 4) -> None:
        super().__init__()
        self._command = [str(program), str(port), str(contacts)]
        self._process = subprocess.Popen(
            self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert self._process.stdout is not None
        ready = self._process.stdout.readline().split()
        assert ready[:1] == ["ready"], "the C peer did not start"
        self.port, self.real_time = int(ready[1]), ready[2] == "1"
        threading.Thread(target=self._read, daemon=True).start()
        self.contact(STOP, True)

    def _read(self) -> None:
        assert self._process.stdout is not None
        kinds = {"c": "contact", "p": "permit", "h": "heartbeat"}
        for line in self._process.stdout:
            kind, at, *rest = line.split()
            address = int(rest[0]) if kind == "c" else -1
            self.add(Seen(int(at), kinds[kind], rest[-1] == "1", address))
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _move(self, address: int, closed: bool) -> None:
        self._send(f"c {address} {int(closed)}")

    def rattle(self, address: int, hz: int, for_ms: int) -> None:
        """Let a contact rattle, and leave it open."""
        self._send(f"r {address} {hz} {for_ms}")

    def _send(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def kill(self) -> None:
        self._process.kill()

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()


class PymodbusBlock(Block):
    """The simulated block of the demonstration, a pymodbus server."""

    names = ("stop", "reset", "curtain", "spare")

    def __init__(self, port: int = 0) -> None:
        super().__init__()
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tablevoice.guard.simulated_block",
                "--port",
                str(port),
                "--contacts",
                ",".join(self.names),
                "--closed",
                "stop",
            ],
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        assert self._process.stdout is not None
        ready = json.loads(self._process.stdout.readline())
        self.port = ready["modbus_port"]
        self._control = socket.create_connection(("127.0.0.1", ready["control_port"]), 10)
        self._control.settimeout(None)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError), self._control.makefile() as lines:
            for line in lines:
                message = json.loads(line)
                if message["type"] == "contact":
                    address = self.names.index(message["name"])
                    self.add(Seen(message["t_ns"], "contact", message["closed"], address))
                elif message["type"] in ("permit", "heartbeat"):
                    self.add(Seen(message["t_ns"], message["type"], message["on"]))
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _move(self, address: int, closed: bool) -> None:
        line = json.dumps({"contact": self.names[address], "closed": closed})
        self._control.sendall(line.encode() + b"\n")

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()
        self._control.close()


class FaultProxy:
    """A process between the guard and a peer that spoils the link; see ``fault_proxy``."""

    def __init__(self, target_port: int) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.guard.fault_proxy", str(target_port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
            cwd=ROOT,
        )
        assert self._process.stdout is not None
        self.port = int(self._process.stdout.readline())

    def fault(self, words: str) -> int:
        """Begin a fault ("pass" ends it); returns when the proxy did so."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(words + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()

    def __enter__(self) -> FaultProxy:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def guard_file(
    folder: Path,
    input_port: int,
    controller_port: int,
    *,
    reset_port: int | None = None,
    more_inputs: str = "",
    more: str = "",
    debounce_ms: int = 20,
    press_shortest_ms: int = 20,
) -> Path:
    """Write a guard file for a cell on loopback."""
    path = folder / "guard.yaml"
    path.write_text(
        f"""\
format: 1
table: test table
inputs:
  stop: {{kind: modbus, host: 127.0.0.1, port: {input_port}, address: {STOP}}}
{more_inputs}
reset: {{kind: modbus, host: 127.0.0.1, port: {reset_port or input_port}, address: {RESET},
  press_shortest_ms: {press_shortest_ms}}}
controller: {{host: 127.0.0.1, port: {controller_port}, permit_coil: 0,
  heartbeat_ms: {HEARTBEAT_MS}}}
debounce_ms: {debounce_ms}
{more}
""",
        encoding="utf-8",
    )
    return path


def one_block_file(folder: Path, port: int, more_inputs: str = "") -> Path:
    """A guard file for one block as inputs and controller, with time for a slow peer."""
    return guard_file(folder, port, port, more_inputs=more_inputs, more="late_ms: 40")


class GuardProcess:
    """A running guard, as it runs in a cell, and a view of its status."""

    def __init__(
        self, path: Path, prefix: Sequence[str] = (), more: Mapping[str, str] | None = None
    ) -> None:
        self.path = path
        self.status_path = path.parent / "guard_state" / "status.sock"
        self.record_path = path.parent / "guard_state" / "record.jsonl"
        self.process = subprocess.Popen(
            [*prefix, sys.executable, "-m", "tablevoice.guard", str(path)],
            env={**environment(), **(more or {})},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def wait_ready(self) -> None:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line.startswith("guard: watching"), (line, self.process.stderr)
        until_s = time.monotonic() + WAIT_S
        while not self.status_path.exists():
            assert time.monotonic() < until_s, "no status address"
            time.sleep(0.01)

    def connect(self) -> socket.socket:
        until_s = time.monotonic() + WAIT_S
        while True:
            connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            connection.settimeout(WAIT_S)
            try:
                connection.connect(str(self.status_path))
                return connection
            except OSError:
                connection.close()
                assert time.monotonic() < until_s, "nobody listens on the status address"
                time.sleep(0.01)

    def statuses(self) -> Iterator[dict[str, Any]]:
        with self.connect() as connection, connection.makefile() as lines:
            for line in lines:
                message = json.loads(line)
                if message["type"] == "status":
                    yield message

    def wait_status(
        self, wanted: Callable[[dict[str, Any]], bool], within_s: float = WAIT_S
    ) -> dict[str, Any]:
        """The first status that is as wanted."""
        until_s = time.monotonic() + within_s
        last: dict[str, Any] = {}
        for last in self.statuses():
            if wanted(last):
                return last
            if time.monotonic() > until_s:
                break
        raise AssertionError(f"no such status; the last one was {last}")

    def wait_state(self, state: str) -> dict[str, Any]:
        return self.wait_status(lambda status: status["state"] == state)

    def records(self) -> list[dict[str, Any]]:
        if not self.record_path.exists():
            return []
        return [json.loads(line) for line in self.record_path.read_text().splitlines()]

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()

    def __enter__(self) -> GuardProcess:
        self.wait_ready()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def arm(block: Block, within_s: float = WAIT_S, controller: Block | None = None) -> Seen:
    """Close the stop, press the reset until the permit is on (as a person would)."""
    block.contact(STOP, True)
    controller = controller or block
    until_s = time.monotonic() + within_s
    pause_s = 0.045
    mark = controller.mark()
    while True:
        time.sleep(pause_s)
        block.press_reset(0.05)
        on = controller.wait_for("permit", True, mark, within_s=0.15)
        if on is not None and controller.permit:
            return on
        if on is not None:  # it came and went: a busy peer answered late
            mark = controller.mark()
        assert time.monotonic() < until_s, "the guard does not arm"
        pause_s = min(pause_s * 1.5, 0.4)


def controllers_view(seen: Sequence[Seen]) -> list[Seen]:
    """When the controller's view changed, by its rule: permit, and a heartbeat edge in two periods.

    The answer is a log of "view" sights, True for "may run". Only what the peer has told is
    judged: its newest line, not this process's clock, is the end of what is known.
    """
    limit_ns = 2 * HEARTBEAT_MS * MS
    permit, view, edge_ns = False, False, 0
    changes: list[Seen] = []
    for one in seen:
        if view and one.at_ns - edge_ns > limit_ns:
            view = False
            changes.append(Seen(edge_ns + limit_ns, "view", False))
        if one.kind == "permit":
            permit = one.value
        elif one.kind == "heartbeat":
            edge_ns = one.at_ns
        if one.kind in ("permit", "heartbeat"):
            now_on = permit and one.at_ns - edge_ns <= limit_ns
            if now_on != view:
                view = now_on
                changes.append(Seen(one.at_ns, "view", view))
    return changes


def controller_stop_ns(seen: Sequence[Seen], after_ns: int) -> int | None:
    """When the controller's view became "stop" at or after ``after_ns``; None: not yet."""
    view = False
    for one in controllers_view(seen):
        if one.at_ns >= after_ns and not view:
            return after_ns
        if one.at_ns >= after_ns and not one.value:
            return one.at_ns
        view = one.value
    return None if view else after_ns


def open_with_permit(
    inputs: Sequence[Seen], controller: Sequence[Seen], within_ns: int, since_ns: int = 0
) -> list[tuple[int, int]]:
    """Where the stop had been open for longer than ``within_ns`` and the controller might run.

    The logs may be of one block or of two; the answer lists (opened, until) times from
    ``since_ns`` on, and must be empty.
    """
    merged = sorted(
        [one for one in inputs if one.kind == "contact" and one.address == STOP]
        + controllers_view(controller)
        + [Seen(max(inputs[-1].at_ns, controller[-1].at_ns), "end", False)],
        key=lambda one: one.at_ns,
    )
    wrong: list[tuple[int, int]] = []
    opened_ns: int | None = None
    view = False
    for one in merged:
        late = opened_ns is not None and one.at_ns - opened_ns > within_ns
        if opened_ns is not None and view and late and one.at_ns >= since_ns:
            wrong.append((opened_ns, one.at_ns))
        if one.kind == "view":
            view = one.value
        elif one.kind == "contact" and one.value:
            opened_ns = None
        elif one.kind == "contact" and opened_ns is None:
            opened_ns = one.at_ns
    return wrong
