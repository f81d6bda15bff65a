"""The demo's stop guard: the real one, beside a simulated I/O block, in processes of their own.

The block is a Modbus TCP server on loopback that stands where the machine's contacts and
its controller would be, and measures from the opening of the contact to the permit going
off. Only pressing and looking is done here; what follows from it is the guard's affair.
"""

from __future__ import annotations

import json
import queue
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tablevoice.errors import TablevoiceError
from tablevoice.links.stop_guard import StopGuardLink, status_address
from tablevoice.model import GuardView

READY_WITHIN_S = 20.0
CHANGED_WITHIN_S = 15.0
PRESS_S = 0.3
MOST_TRIES = 6
SETTLED_S = 0.3
"""After the guard's debounce time: only then does a reset press count."""

GUARD_FILE = """\
format: 1
table: lantern table
inputs:
  table_stop: {{kind: modbus, host: 127.0.0.1, port: {port}, unit: 1, address: 0}}
reset: {{kind: modbus, host: 127.0.0.1, port: {port}, unit: 1, address: 1}}
controller: {{host: 127.0.0.1, port: {port}, unit: 1, permit_coil: 0, heartbeat_ms: 50}}
late_ms: 40
debounce_ms: 100
state: state
"""


@dataclass(frozen=True, slots=True)
class Bench:
    """Where the guard's file is and where the block's contacts are pressed."""

    guard_file: Path
    control_port: int


class GuardedCell:
    """Block and guard, started and ended together; a context manager.

    ``with_guard=False`` starts the block alone and leaves the guard to somebody else.
    Raises TablevoiceError when they do not come up on this system.
    """

    def __init__(self, *, with_guard: bool = True) -> None:
        self._with_guard = with_guard
        self._folder = Path(tempfile.mkdtemp(prefix="tv"))
        self._processes: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Bench:
        try:
            block = self._start("simulated_block")
            assert block.stdout is not None
            ports = json.loads(block.stdout.readline() or b"{}")
            if "modbus_port" not in ports:
                raise _not_up("the simulated I/O block does not start")
            file = self._folder / "guard.yaml"
            file.write_text(GUARD_FILE.format(port=ports["modbus_port"]), encoding="utf-8")
            bench = Bench(file, int(ports["control_port"]))
            if not self._with_guard:
                return bench
            self._processes.append(
                subprocess.Popen(
                    [sys.executable, "-m", "tablevoice.guard", str(file)],
                    stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
            )  # fmt: skip
            with Contacts(bench) as contacts:
                contacts.prove_and_arm()
            return bench
        except BaseException:
            self._end()
            raise

    def __exit__(self, *_: object) -> None:
        self._end()

    def _start(self, module: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", f"tablevoice.guard.{module}"],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._processes.append(process)
        return process

    def _end(self) -> None:
        for process in reversed(self._processes):
            process.terminate()
        for process in self._processes:
            try:
                process.wait(5.0)
            except subprocess.TimeoutExpired:
                process.kill()
            if process.stdout is not None:
                process.stdout.close()
        shutil.rmtree(self._folder, ignore_errors=True)


class Contacts:
    """A hand on the stop and the reset, and an eye on the guard; a context manager."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._views: queue.Queue[GuardView] = queue.Queue()
        self._link = StopGuardLink(status_address(bench.guard_file), self._views.put)
        self._permits: queue.Queue[dict[str, Any]] = queue.Queue()

    def __enter__(self) -> Contacts:
        self._control = socket.create_connection(("127.0.0.1", self._bench.control_port), 5.0)
        self._control.settimeout(None)
        threading.Thread(target=self._watch, name="contacts", daemon=True).start()
        self._link.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._link.close()
        self._control.close()

    def _watch(self) -> None:
        try:
            with self._control.makefile("rb") as lines:
                for line in lines:
                    message = json.loads(line)
                    if message["type"] == "permit" and message["reaction_ms"] is not None:
                        self._permits.put(message)
        except (OSError, ValueError):
            return  # the connection was closed: the demo is over

    def ask_hold(self, kind: str) -> GuardView:
        """Pass a spoken wish on, and give what the guard makes of it."""
        self._link.ask_hold(kind)
        return self._until(lambda view: view.state == "held")

    def press_stop(self) -> tuple[GuardView, float]:
        """Open the stop contact; the guard's view then, and the block's measured reaction in ms."""
        while not self._permits.empty():
            self._permits.get()
        self._move("stop", closed=False)
        try:
            permit = self._permits.get(timeout=CHANGED_WITHIN_S)
        except queue.Empty:
            raise _not_up("the permit did not go off") from None
        view = self._until(lambda view: not view.permit)
        return view, float(permit["reaction_ms"])

    def release_and_reset(self) -> GuardView:
        """Close the stop again and press the reset; the guard's view once it is armed."""
        self._move("stop", closed=True)
        for tries_left in range(MOST_TRIES - 1, -1, -1):
            time.sleep(SETTLED_S)
            self._send({"contact": "reset", "press_s": PRESS_S})
            try:
                return self._until(lambda view: view.permit, PRESS_S + 1.5)
            except TablevoiceError:
                if not tries_left:
                    raise
        raise AssertionError("at least one try")

    def prove_and_arm(self) -> None:
        """What is done before opening day: press the stop once, let go, press the reset."""
        self._until(lambda view: view.state in ("tripped", "awaiting_reset"), READY_WITHIN_S)
        for tries_left in range(MOST_TRIES - 1, -1, -1):
            # On a busy computer the block may answer late within a press, which then proves
            # nothing: a person presses once more, too.
            time.sleep(SETTLED_S)
            self._move("stop", closed=False)
            time.sleep(SETTLED_S)
            self._move("stop", closed=True)
            try:
                self._until(lambda view: view.proven, 1.5)
                break
            except TablevoiceError:
                if not tries_left:
                    raise
        self.release_and_reset()

    def until_not_permitted(self) -> GuardView:
        """The next view in which the permit is off."""
        return self._until(lambda view: not view.permit)

    def now(self) -> GuardView:
        """The guard's view at the start."""
        return self._until(lambda view: view.state != "silent", READY_WITHIN_S)

    def _until(
        self, fits: Callable[[GuardView], bool], timeout_s: float = CHANGED_WITHIN_S
    ) -> GuardView:
        end_s = time.monotonic() + timeout_s
        while True:
            try:
                view = self._views.get(timeout=max(0.0, end_s - time.monotonic()))
            except queue.Empty:
                raise _not_up("the stop guard does not answer as it should") from None
            if fits(view):
                return view

    def _move(self, contact: str, *, closed: bool) -> None:
        self._send({"contact": contact, "closed": closed})

    def _send(self, message: dict[str, Any]) -> None:
        self._control.sendall(json.dumps(message).encode() + b"\n")


def _not_up(what: str) -> TablevoiceError:
    return TablevoiceError(f"{what}.", where="demo", do="Try `tablevoice guard --help`.")
