"""A whole live table whose controller speaks Modbus TCP alone: a question by sound, over registers.

Real engine, real sound server, real recogniser, a pymodbus client as the controller.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

from tablevoice.cell import load_cell
from tablevoice.links.modbus_codes import Bit, HoldKind, How, Refusal, State
from tablevoice.links.modbus_map import ChannelCommand, ChannelStatus, Command, RegisterMap, Status
from tests.links.modbus_cells import free_port
from tests.test_live_session import BOOK, CELL, RunningTable, play

LINKS = """
links:
  modbus:
    role: server
    port: {port}
    may: [events, buttons, hold_cleared]
    numbers:
      events: {{hello: 1, colour_asked: 2}}
      answers: {{teal: 1, violet: 2}}
"""
HELLO, ASK, VIOLET = 1, 2, 2


class Controller:
    """A program that polls the table: one channel, each event once."""

    def __init__(self, cell_file: Path) -> None:
        cell = load_cell(cell_file)
        assert cell.links.modbus is not None
        self.map = RegisterMap(cell.links.modbus, cell.phrasebook)
        self.client = ModbusTcpClient("127.0.0.1", port=cell.links.modbus.port, timeout=10)
        assert self.client.connect()  # type: ignore[no-untyped-call]
        self.sequence = 0

    def write(self, place: int, *values: int) -> None:
        assert not self.client.write_registers(place, list(values)).isError()

    def when(self, fits: Callable[[list[int]], bool], within_s: float = 60.0) -> list[int]:
        end_s = time.monotonic() + within_s
        while True:
            answer = self.client.read_holding_registers(100, count=self.map.status_count)
            assert not answer.isError()
            status = list(answer.registers)
            if fits(status):
                return status
            assert time.monotonic() < end_s, f"never; the last one was {status}"
            time.sleep(0.02)

    def of(self, status: list[int], what: ChannelStatus) -> int:
        return status[self.map.status(0, what)]

    def begin(self) -> None:
        self.write(0, *[0] * self.map.command_count)

    def send(self, event: int) -> None:
        self.sequence += 1
        self.write(self.map.command(0, ChannelCommand.EVENT), event)
        self.write(self.map.command(0, ChannelCommand.SEQUENCE), self.sequence)

    def outcome(self) -> list[int]:
        return self.when(lambda status: self.of(status, ChannelStatus.ECHO) == self.sequence
                         and self.of(status, ChannelStatus.STATE) > State.TAKEN)


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    path = tmp_path / "cell.yaml"
    path.write_text(CELL + LINKS.format(port=free_port()), encoding="utf-8")
    return path


@pytest.fixture
def table(cell: Path, pulse_environment: dict[str, str]) -> Iterator[RunningTable]:
    running = RunningTable(cell, pulse_environment)
    running.wait_for_type("ready")
    running.send({"v": 1, "type": "ping", "id": "open"})
    running.wait_for_type("pong")  # its links are open by now
    yield running
    running.process.kill()
    running.process.wait()


def test_a_question_is_put_heard_and_answered_over_registers_and_a_pause_asks(
    table: RunningTable, cell: Path, pulse_environment: dict[str, str]
) -> None:
    controller = Controller(cell)
    controller.begin()
    controller.send(HELLO)
    controller.when(lambda status: bool(status[Status.BITS] & Bit.SPEAKING))
    assert controller.of(controller.outcome(), ChannelStatus.STATE) == State.DONE
    assert "Good morning" in table.wait_for_type("said")["text"]

    controller.send(ASK)
    controller.when(lambda status: bool(status[Status.BITS] & Bit.LISTENING))
    play("violet", pulse_environment)
    status = controller.outcome()
    assert controller.of(status, ChannelStatus.ANSWER) == VIOLET
    assert controller.of(status, ChannelStatus.HOW) in (How.VOICE, How.CONFIRMED)
    assert 0 < controller.of(status, ChannelStatus.CERTAINTY) <= 10_000
    answer = table.wait_for_type("answer")
    assert answer["id"].startswith("modbus/1.2.")
    assert round(answer["certainty"] * 10_000) == controller.of(status, ChannelStatus.CERTAINTY)

    play("pause", pulse_environment)
    status = controller.when(lambda status: status[Status.HOLD_KIND] != HoldKind.NONE)
    assert status[Status.HOLD_KIND] == HoldKind.PAUSE
    assert table.wait_for_type("hold_request")["kind"] == "pause"
    time.sleep(1.0)  # a slow controller finds it as it was
    controller.send(ASK)
    status = controller.outcome()
    assert controller.of(status, ChannelStatus.REFUSAL) == Refusal.HELD
    assert status[Status.HOLD_KIND] == HoldKind.PAUSE
    controller.write(Command.HOLD_CLEARED, status[Status.HOLD_SEQUENCE])
    controller.when(lambda status: not status[Status.BITS] & Bit.HELD)
    controller.client.close()  # type: ignore[no-untyped-call]

    # The end of the input does not close a table that a controller is linked to.
    assert table.process.stdin is not None
    table.process.stdin.close()
    again = Controller(cell)
    again.sequence = controller.sequence
    again.send(HELLO)
    assert again.of(again.outcome(), ChannelStatus.STATE) == State.DONE
    again.client.close()  # type: ignore[no-untyped-call]
