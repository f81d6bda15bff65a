"""A live table under the real stop guard: started by the table, outliving it.

Real processes: the table, the guard, a Modbus TCP block, PulseAudio; the stop is a contact
of the block, pressed through its control port.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tablevoice.demo.guarded_cell import Bench, Contacts, GuardedCell
from tests.test_live_session import BOOK, CELL, RunningTable, event

GUARDED_BOOK = (
    BOOK.replace(
        "  hello:",
        "  tripped: {about: Trip., priority: warning, lines: [Stopped. Reset at the machine.]}\n"
        "  story: {about: Long., lines: [Once upon a time there was a table that talked and"
        " talked about lanterns until somebody pressed the button.]}\n"
        "  hello:",
    )
    + "stop_guard: {tripped: tripped}\n"
)


@pytest.fixture
def bench() -> Iterator[Bench]:
    with GuardedCell() as armed:
        yield armed


def test_the_stop_ends_the_talk_and_outlives_the_table(
    bench: Bench, pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    (tmp_path / "book.yaml").write_text(GUARDED_BOOK, encoding="utf-8")
    cell = tmp_path / "cell.yaml"
    cell.write_text(f"{CELL}guard: {bench.guard_file}\n", encoding="utf-8")
    table = RunningTable(cell, pulse_environment)
    try:
        with Contacts(bench) as contacts:
            table.wait_for(lambda row: row["type"] == "guard" and row["armed"])
            table.send(event("s1", "story"))
            time.sleep(1.5)  # in the middle of the sentence
            contacts.press_stop()
            table.wait_for(lambda row: row["type"] == "guard" and not row["armed"])
            stopped = [row for row in table.seen if row["type"] == "said"]
            assert [(row["id"], row["said"]) for row in stopped] == [("s1", "cut")]
            told = table.wait_for(lambda row: row["type"] == "said" and row["event"] == "tripped")
            assert told["said"] == "said"
            table.send(event("q1", "colour_asked"))
            refused = table.wait_for_type("error")
            assert refused["id"] == "q1"
            assert "Reset at the machine" in refused["what"]
            table.send({"v": 1, "type": "hold_cleared", "by": "nobody"})
            assert "Press the reset" in table.wait_for_type("error")["do"]
            contacts.release_and_reset()
            table.wait_for(lambda row: row["type"] == "guard" and row["armed"])
            table.process.kill()
            table.process.wait()
            view, reaction_ms = contacts.press_stop()
            assert not view.permit
            assert reaction_ms > 0.0
    finally:
        table.process.kill()
        table.process.wait()


def test_a_table_starts_its_guard_stays_shut_until_it_is_proven_and_leaves_it_running(
    pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    with GuardedCell(with_guard=False) as bench:
        book = GUARDED_BOOK.replace("{tripped: tripped}", "{not_proven: hello}")
        book = book.replace("hello: {about: Opens.,", "hello: {about: Opens., priority: warning,")
        (tmp_path / "book.yaml").write_text(book, encoding="utf-8")
        cell = tmp_path / "cell.yaml"
        cell.write_text(f"{CELL}guard: {bench.guard_file}\n", encoding="utf-8")
        table = RunningTable(cell, pulse_environment)
        try:
            table.wait_for(lambda row: row["type"] == "guard" and row["state"] == "silent")
            table.wait_for(lambda row: row["type"] == "guard" and row["state"] != "silent")
            said = table.wait_for(lambda row: row["type"] == "said" and row["event"] == "hello")
            assert said["said"] == "said"  # the reason, aloud
            table.send(event("q1", "colour_asked"))
            assert "stop guard" in table.wait_for_type("error")["what"]  # and in writing
            with Contacts(bench) as contacts:
                contacts.prove_and_arm()
                table.wait_for(lambda row: row["type"] == "guard" and row["armed"])
                table.process.kill()
                table.process.wait()
                view, reaction_ms = contacts.press_stop()
                assert not view.permit
                assert reaction_ms > 0.0
        finally:
            table.process.kill()
            table.process.wait()
            subprocess.run(["pkill", "-f", f"tablevoice.guard {bench.guard_file}"], check=False)
