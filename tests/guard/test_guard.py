"""The guard as a process: what it promises at the machine, and what cannot be made to happen."""

from __future__ import annotations

import ast
import itertools
import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tablevoice.guard.cautions import CAUTIONS
from tablevoice.guard.reporter import hold_word
from tests.guard import cell
from tests.guard.cell import (
    MS,
    RESET,
    ROOT,
    STOP,
    WAIT_S,
    Block,
    GuardProcess,
    LibmodbusBlock,
    PymodbusBlock,
    arm,
    environment,
    open_with_permit,
)

CURTAIN = 2
GENEROUS_NS = 250 * MS


def guard_file(folder: Path, port: int, more_inputs: str = "") -> Path:
    """A guard file that gives slow peers time: they share a busy test machine."""
    return cell.guard_file(folder, port, port, more_inputs=more_inputs, more="late_ms: 40")


@pytest.fixture(params=["pymodbus", "libmodbus"])
def block(request: pytest.FixtureRequest) -> Any:
    made: Block
    if request.param == "pymodbus":
        made = PymodbusBlock()
    else:
        made = LibmodbusBlock(request.getfixturevalue("libmodbus_program"))
    with made:
        yield made


@pytest.fixture
def pymodbus_block() -> Any:
    with PymodbusBlock() as made:
        yield made


def test_trip_and_reset_with_foreign_servers(block: Block, short_path: Path) -> None:
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        assert guard.wait_state("awaiting_reset")["causes"][0] == "power up"
        for _ in range(5):
            arm(block)
            mark = block.mark()
            opened = block.contact(STOP, False)
            off = block.wait_for("permit", False, mark)
            assert off is not None
            assert off.at_ns - opened.at_ns <= GENEROUS_NS
            assert guard.wait_state("tripped")["why"] == "Stopped. Reset at the machine."
        assert open_with_permit(block.seen, block.seen, GENEROUS_NS) == []
        beats = [one.value for one in block.seen if one.kind == "heartbeat"]
        assert len(beats) > 10
        assert all(a != b for a, b in itertools.pairwise(beats)), "it toggles"
        time.sleep(0.3)
    kinds = [record["kind"] for record in guard.records()]
    assert kinds.count("trip") == kinds.count("reset") == 5
    assert kinds.count("permit_off_confirmed") == 5
    assert kinds[0] == "start"
    assert kinds[-1] == "end"
    assert all({"wall", "monotonic_s", "kind", "why"} <= set(one) for one in guard.records())


def test_told_to_end_it_leaves_with_the_permit_off(block: Block, short_path: Path) -> None:
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        arm(block)
        mark = block.mark()
        guard.process.terminate()
        assert block.wait_for("permit", False, mark) is not None
        assert guard.process.wait(WAIT_S) == 0
        assert not guard.status_path.exists() or guard.records()[-1]["kind"] == "end"


def test_a_spoken_hold_drops_the_permit_and_only_a_press_brings_it_back(
    pymodbus_block: Block, short_path: Path
) -> None:
    block = pymodbus_block
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        for word in ("pause", "stop"):
            arm(block)
            mark = block.mark()
            with guard.connect() as talking:
                talking.sendall(json.dumps({"hold": word}).encode() + b"\n")
                assert block.wait_for("permit", False, mark) is not None
            status = guard.wait_status(lambda status: not status["permit"])
            assert status["latched"] == "hold"
            assert status["causes"] == [f"asked: {word}"]
        time.sleep(0.5)
        assert not block.permit
        arm(block)


def test_a_curtain_clears_by_itself_only_where_the_file_says_so(
    pymodbus_block: Block, short_path: Path
) -> None:
    block = pymodbus_block
    block.contact(CURTAIN, True)
    line = (
        f"  curtain: {{kind: modbus, host: 127.0.0.1, port: {block.port}, address: {CURTAIN},\n"
        "    role: protective, clears_by_itself: CLEARS}"
    )
    for clears in (False, True):
        path = guard_file(
            short_path,
            block.port,
            more_inputs=line.replace("CLEARS", str(clears).lower()),
        )
        with GuardProcess(path) as guard:
            arm(block)
            mark = block.mark()
            block.contact(CURTAIN, False)
            assert block.wait_for("permit", False, mark) is not None
            assert guard.wait_state("held")["latched"] == "hold"
            mark = block.mark()
            block.contact(CURTAIN, True)
            back = block.wait_for("permit", True, mark, within_s=5.0 if clears else 0.5)
            assert (back is not None) is clears


def test_nothing_that_can_be_sent_clears_a_stop(pymodbus_block: Block, short_path: Path) -> None:
    """Every input closed, the reset untouched: the easiest moment to clear, if words could."""
    block = pymodbus_block
    pretend = short_path / "pretend.sock"
    more = f"  pretend: {{kind: simulated, address: {pretend}}}"
    dice = random.Random(5)
    words = ["hold", "reset", "clear", "arm", "permit", "resume", "release", "v", "type", "state"]
    values: list[object] = [True, 1, "reset", "pause", "permitted", None, [], {"hold": "pause"}, ""]

    def message() -> bytes:
        kind = dice.randrange(4)
        if kind == 0:
            return dice.randbytes(dice.randrange(1, 200)) + b"\n"
        if kind == 1:
            return json.dumps({dice.choice(words): dice.choice(values)}).encode() + b"\n"
        if kind == 2:
            some = {word: dice.choice(values) for word in dice.sample(words, 3)}
            return json.dumps(some).encode() + b"\n"
        return dice.choice([b'{"hold":', b"[" * 500 + b"\n", b"\0" * 50 + b"\n", b"reset\n"])

    path = guard_file(short_path, block.port, more_inputs=more)
    with GuardProcess(path) as guard:
        ending = threading.Event()

        def refresh() -> None:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
                while not ending.wait(0.05):
                    one.sendto(b"closed", str(pretend))

        thread = threading.Thread(target=refresh)
        thread.start()
        try:
            guard.wait_state("awaiting_reset")
            mark = block.mark()
            until_s = time.monotonic() + 4
            sent = 0
            while time.monotonic() < until_s:
                with guard.connect() as connection:
                    try:
                        for _ in range(50):
                            connection.sendall(message())
                            sent += 1
                    except OSError:
                        pass  # thrown out for what it sent
            assert sent > 500
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
                for _ in range(300):
                    one.sendto(message()[:60], str(pretend))
            assert block.wait_for("permit", True, mark, within_s=0.2) is None
            guard.wait_state("awaiting_reset")
            arm(block)  # and a press does it
        finally:
            ending.set()
            thread.join()


def test_of_all_messages_only_two_mean_anything() -> None:
    assert hold_word(b'{"hold": "pause"}') == "pause"
    assert hold_word(b'{"hold": "stop"}') == "stop"
    for line in (
        b'{"hold": "reset"}',
        b'{"hold": "pause", "reset": true}',
        b'{"hold": ["pause"]}',
        b'{"hold": null}',
        b"pause",
        b'"pause"',
        b"[]",
        b"",
        b"\xff",
        b'{"reset": "stop"}',
        b"[" * 100_000,
        b'{"hold": {"pause": 1}}',
    ):
        assert hold_word(line) is None


def test_the_latch_is_the_only_place_that_can_allow() -> None:
    """Read the source: one function makes the latch NOTHING, one place calls ``allow``."""
    room = ROOT / "tablevoice" / "guard"
    makes_nothing: list[str] = []
    allows: list[str] = []
    for file in room.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr == "allow":
                allows.append(file.name)
        for function in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(function, ast.FunctionDef):
                for node in ast.walk(function):
                    if (
                        isinstance(node, ast.Assign)
                        and "Latched.NOTHING" in ast.unparse(node.value)
                        and "latched" in ast.unparse(node.targets[0])
                    ):
                        makes_nothing.append(f"{file.name}:{function.name}")
    assert makes_nothing == ["latch.py:step"]
    assert allows == ["loop.py"]


def test_a_lost_reporter_is_a_hold_and_comes_back(pymodbus_block: Block, short_path: Path) -> None:
    block = pymodbus_block
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        arm(block)
        mark = block.mark()
        children = Path(f"/proc/{guard.process.pid}/task/{guard.process.pid}/children")
        if not children.exists():
            pytest.skip("needs /proc/PID/task/PID/children (Linux)")
        reporter = int(children.read_text().split()[0])
        os.kill(reporter, 9)
        assert block.wait_for("permit", False, mark) is not None
        status = guard.wait_state("awaiting_reset")
        assert status["causes"] == ["reporter"]
        assert status["latched"] == "hold"
        arm(block)


def test_the_guard_takes_its_reporter_with_it(pymodbus_block: Block, short_path: Path) -> None:
    block = pymodbus_block
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        guard.wait_state("awaiting_reset")
        with guard.connect() as connection:
            guard.process.kill()
            while connection.recv(65_536):
                pass  # the end of file is the proof


def test_slow_and_many_readers_are_dropped(pymodbus_block: Block, short_path: Path) -> None:
    block = pymodbus_block
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        crowd = [guard.connect() for _ in range(40)]
        for one in crowd[16:]:
            assert one.recv(65_536) == b"", "more than 16 are turned away"
        arm(block)  # meanwhile the guard works
        stuck = crowd[0]
        until_s = time.monotonic() + 60
        gone = False
        while not gone and time.monotonic() < until_s:
            time.sleep(1.0)
            block.contact(STOP, False)
            block.contact(STOP, True)
            try:
                for _ in range(10):
                    stuck.send(b"\n")
                    time.sleep(0.005)
            except OSError:
                gone = True
        assert gone, "a reader that never reads was never dropped"
        for one in crowd:
            one.close()
        guard.wait_state("awaiting_reset")


def test_a_press_proves_and_the_proof_outlives_the_guard(
    pymodbus_block: Block, short_path: Path
) -> None:
    block = pymodbus_block
    path = guard_file(short_path, block.port)
    with GuardProcess(path) as guard:
        status = guard.wait_state("awaiting_reset")
        assert not status["proven"]
        assert status["why_not_proven"] == "stop was never seen pressed"
        asking = subprocess.Popen(
            [sys.executable, "-m", "tablevoice.guard", str(path), "--prove"],
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        assert asking.stdout is not None
        said = [asking.stdout.readline(), asking.stdout.readline()]
        assert "Clear the machine first" in said[0]
        assert "stop: now closed. Press it" in said[1]
        block.contact(STOP, False)
        time.sleep(0.3)
        block.contact(STOP, True)
        rest = asking.communicate(timeout=WAIT_S)[0]
        assert asking.returncode == 0
        assert "Every stop input is proven" in rest
        guard.wait_status(lambda status: status["proven"])
        time.sleep(0.5)
    with GuardProcess(path) as guard:
        assert guard.wait_status(lambda status: status["permit"] is False)["proven"]
    proofs = path.parent / "guard_state" / "proofs.json"
    stored = json.loads(proofs.read_text())
    proofs.write_text(json.dumps({"stop": stored["stop"] - 25 * 3600}))
    with GuardProcess(path) as guard:
        assert "25.0 h ago" in guard.wait_state("awaiting_reset")["why_not_proven"]
    proofs.write_text(json.dumps({"stop": stored["stop"] + 25 * 3600}))
    with GuardProcess(path) as guard:
        assert not guard.wait_state("awaiting_reset")["proven"], "a proof from the future"


@pytest.mark.parametrize("way", ["path", "port"])
def test_a_simulated_input_has_to_be_kept_alive(
    pymodbus_block: Block, short_path: Path, way: str
) -> None:
    block = pymodbus_block
    to: Any
    if way == "path":
        sending = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        to = str(short_path / "pretend.sock")
        source, token = f"address: {to}", b""
    else:
        sending = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            to = probe.getsockname()
        source = f'address: "127.0.0.1:{to[1]}", token: "sixteen letters ok"'
        token = b" sixteen letters ok"
    more = f"  pretend: {{kind: simulated, {source}}}"
    ending, words = threading.Event(), [b"closed" + token]

    def refresh() -> None:
        while not ending.wait(0.03):
            sending.sendto(words[0], to)

    path = guard_file(short_path, block.port, more_inputs=more)
    with sending, GuardProcess(path) as guard:

        def level(wanted: str) -> Callable[[dict[str, Any]], bool]:
            return lambda status: status["inputs"]["pretend"]["level"] == wanted

        guard.wait_status(level("unreadable"))
        thread = threading.Thread(target=refresh)
        thread.start()
        try:
            arm(block)
            for word, expected in ((b"open" + token, "open"), (b"closed wrong", "nonsense")):
                mark = block.mark()
                words[0] = word
                assert block.wait_for("permit", False, mark) is not None
                guard.wait_status(level(expected))
                words[0] = b"closed" + token
                arm(block)
            mark = block.mark()
        finally:
            ending.set()
            thread.join()
        assert block.wait_for("permit", False, mark) is not None
        assert guard.wait_status(level("late"))["proven"] is False
        assert "pretend is simulated" in guard.wait_state("tripped")["why_not_proven"]


def test_a_serial_line_that_is_none_is_unreadable(pymodbus_block: Block, short_path: Path) -> None:
    """A pseudo terminal has no control lines: its driver refuses, and that means stop."""
    pytest.importorskip("serial", reason="needs pyserial: pip install pyserial")
    controlling, terminal = os.openpty()
    line = f"  rail: {{kind: serial, device: {os.ttyname(terminal)}, line: dsr}}"
    block = pymodbus_block
    path = guard_file(short_path, block.port, more_inputs=line)
    guard = GuardProcess(path)
    try:
        try:
            guard.wait_ready()
        except AssertionError:
            assert guard.process.wait(WAIT_S) == 2
        else:
            status = guard.wait_status(
                lambda status: status["inputs"]["rail"]["level"] == "unreadable"
            )
            assert not status["permit"]
    finally:
        guard.stop()
        os.close(controlling)
        os.close(terminal)


@pytest.mark.parametrize(
    ("source", "package"),
    [
        ("kind: gpio, chip: /dev/gpiochip0, line: 3, closed_when: low", "gpiod"),
        ("kind: serial, device: /dev/ttyNONE, line: cts", "serial"),
        ("kind: key, device: /dev/input/none, key: KEY_SPACE", "evdev"),
    ],
)
def test_a_missing_library_or_device_is_told_at_the_start(
    short_path: Path, source: str, package: str
) -> None:
    path = guard_file(short_path, 1, more_inputs=f"  wired: {{{source}}}")
    guard = GuardProcess(path)
    try:
        _, said = guard.process.communicate(timeout=WAIT_S)
    finally:
        guard.stop()
    assert guard.process.returncode == 2
    assert "Traceback" not in said
    device = source.split(",")[1].split(": ")[1]
    assert (package in said) or (device in said)


def test_a_bad_file_and_a_bad_state_folder_are_refused(short_path: Path) -> None:
    path = guard_file(short_path, 1)
    for change, said in (
        (
            lambda: path.write_text(path.read_text().replace("debounce_ms", "debounc_ms")),
            "Did you mean `debounce_ms`?",
        ),
        (
            lambda: (guard_file(short_path, 1), (short_path / "guard_state").write_text("x")),
            "state folder cannot be used",
        ),
    ):
        change()
        guard = GuardProcess(path)
        try:
            _, told = guard.process.communicate(timeout=WAIT_S)
        finally:
            guard.stop()
        assert guard.process.returncode == 2
        assert said in told
        assert "Traceback" not in told


def test_the_wall_between_the_halves() -> None:
    """Start the guard's imports in a fresh process, and read everybody else's."""
    program = (
        "import sys, tablevoice.guard.cli, tablevoice.guard.reporter; "
        "print(sorted(n for n in sys.modules if n.split('.')[0] not in sys.stdlib_module_names))"
    )
    shown = subprocess.run(
        [sys.executable, "-c", program],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    loaded = set(ast.literal_eval(shown.stdout))
    foreign = {
        name
        for name in loaded
        if not name.startswith(("tablevoice.guard", "yaml", "_", "cython_runtime"))
    }
    assert foreign <= {"tablevoice", "sitecustomize", "usercustomize"}, foreign
    for file in (ROOT / "tablevoice").rglob("*.py"):
        inside = file.parent.name == "guard"
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
            for name in names:
                if name.startswith("tablevoice.guard"):
                    assert inside, f"{file} imports {name}"
                elif name.startswith("tablevoice") and name != "tablevoice":
                    assert not inside, f"{file} imports {name}"


def test_cautions_stand_where_they_cannot_be_missed(
    pymodbus_block: Block, short_path: Path
) -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "tablevoice.guard", "--help"],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    page = " ".join((ROOT / "tablevoice" / "guard" / "GUARD.md").read_text("utf-8").split())
    for caution in CAUTIONS:
        assert caution in shown
        assert caution in page
    for word in (
        "ISO 13849-1",
        "ISO 13850",
        "IEC 60204-1",
        "ISO 10218-1/-2",
        "ISO 12100",
        "lockout/tagout",
        "category 0",
        "category 2",
        "hard-wired",
    ):
        assert word in " ".join(CAUTIONS)
    block = pymodbus_block
    with (
        GuardProcess(guard_file(short_path, block.port)) as guard,
        guard.connect() as connection,
        connection.makefile() as lines,
    ):
        first = json.loads(lines.readline())
        assert first == {"v": 1, "type": "cautions", "cautions": list(CAUTIONS)}


def test_the_reset_contact_is_watched_for_a_press_only(
    pymodbus_block: Block, short_path: Path
) -> None:
    """A press that began before the stop closed, and one held too long, arm nothing."""
    block = pymodbus_block
    with GuardProcess(guard_file(short_path, block.port)) as guard:
        guard.wait_state("awaiting_reset")
        mark = block.mark()
        block.contact(STOP, False)
        block.contact(RESET, True)
        block.contact(STOP, True)
        time.sleep(0.3)
        block.contact(RESET, False)
        time.sleep(0.2)
        assert block.wait_for("permit", True, mark, within_s=0.3) is None
        for _ in range(5):  # a late answer of a busy peer spoils a press too, which is right
            block.press_reset(2.2)
            assert block.wait_for("permit", True, mark, within_s=0.5) is None
            whys = [one["why"] for one in guard.records() if one["kind"] == "press_refused"]
            if any("too long" in why for why in whys):
                break
        assert any("too long" in why for why in whys), whys
        assert any("not closed and steady before" in why for why in whys), whys
        arm(block)
