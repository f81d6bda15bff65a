"""A table without asyncio: plain calls wait, errors travel, callbacks have a thread of their own.

The program here is a process of its own with the real sound server.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tablevoice import TableThread
from tablevoice.errors import FileRefused
from tests.test_live_session import BOOK, CELL

ROOT = Path(__file__).parents[1]
DEAF = CELL + "recogniser: {kind: none}\n"

PROGRAM = """
import json, threading, time
from pathlib import Path
from tablevoice import MessageRefused, TablevoiceError, TableThread
found = {}

# 1: calls wait, and a callback may call
kinds, answered = [], threading.Event()
def told(message):
    kinds.append(message.type)
    if message.type == "said" and message.event == "colour_asked":
        table.press("violet")
    if message.type == "answer":
        answered.set()
table = TableThread("cell.yaml")
table.on_message(told)
with table:
    found["done"] = table.report("hello").said
    answer = table.ask("colour_asked")
    found["answer"] = [answer.value, answer.how]
    found["callback"] = answered.wait(10)
    found["refused"] = []
    for wrong in (lambda: table.report("helo"), lambda: table.ask("hello"),
                  lambda: table.report("colour_asked")):
        try:
            wrong()
        except MessageRefused as refused:
            found["refused"].append(refused.problem.do)
    found["closed"] = [table.closed]
found["closed"].append(table.closed)
try:
    table.report("hello")
except TablevoiceError as error:
    found["after"] = error.problem.what
found["first"], found["last"] = kinds[0], kinds[-1]

# 2: a callback that fails, and one that takes its time
reported = threading.Event()
def fails(message):
    if message.type == "said":
        raise ValueError("lantern fell")
    if message.type == "error":
        found["error"] = message.what
        reported.set()
try:
    with TableThread("cell.yaml") as table:
        table.on_message(fails)
        table.on_message(lambda message: time.sleep(0.2))
        table.report("hello")
        reported.wait(10)
except ValueError as error:
    found["raised"] = str(error)

# 3: a table that cannot open
cell = Path("cell.yaml")
cell.write_text(cell.read_text().replace("loudspeaker: {device: pulse",
                                         "loudspeaker: {device: no such"))
try:
    with TableThread(cell):
        pass
except TablevoiceError as error:
    found["unopened"] = error.problem.what
found["threads"] = threading.active_count()
print(json.dumps(found))
"""


@pytest.fixture(scope="module")
def found(
    pulse_environment: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Any]:
    """What the program found."""
    folder = tmp_path_factory.mktemp("cell")
    (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
    (folder / "cell.yaml").write_text(DEAF, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], check=False, cwd=folder, capture_output=True, text=True,
        env={**pulse_environment, "PYTHONPATH": str(ROOT)}, timeout=200,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout.splitlines()[-1]))


def test_calls_wait_and_callbacks_may_call(found: dict[str, Any]) -> None:
    assert found["done"] == "said"
    assert found["answer"] == ["violet", "button"]
    assert found["callback"] is True
    assert (found["first"], found["last"]) == ("ready", "closed")


def test_errors_travel_to_who_called(found: dict[str, Any]) -> None:
    assert "'hello'" in found["refused"][0]
    assert found["refused"][1:] == ["Call report for it.", "Call ask for it."]
    assert found["closed"] == [False, True]
    assert found["after"] == "the table is closed."


def test_a_callback_that_fails_is_reported_at_once_and_raised_at_the_end(
    found: dict[str, Any],
) -> None:
    assert "lantern fell" in found["error"]
    assert found["raised"] == "lantern fell"


def test_what_keeps_a_table_from_opening_is_raised_where_it_is_entered(
    found: dict[str, Any],
) -> None:
    assert "no such" in found["unopened"]
    assert found["threads"] == 1, "every thread ended with its table"


def test_a_wrong_cell_file_is_refused_before_anything_runs(tmp_path: Path) -> None:
    (tmp_path / "cell.yaml").write_text("format: 2\n", encoding="utf-8")
    with pytest.raises(FileRefused):
        TableThread(tmp_path / "cell.yaml")
