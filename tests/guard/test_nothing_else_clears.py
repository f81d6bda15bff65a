"""What cannot be made to happen: no message clears a stop, and no code is there that could."""

from __future__ import annotations

import ast
import json
import random
import socket
import threading
import time
from pathlib import Path

from tablevoice.guard.reporter import hold_word
from tests.guard.cell import (
    ROOT,
    WAIT_S,
    Block,
    GuardProcess,
    arm,
    one_block_file,
)


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

    path = one_block_file(short_path, block.port, more_inputs=more)
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
            while time.monotonic() < until_s or (
                sent <= 500 and time.monotonic() < until_s + WAIT_S
            ):
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
