"""``tablevoice run`` as a service with a broker for its only peer, killed in mid-question.

Real processes: the program, mosquitto, the sound server.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from pathlib import Path

from tests.links.broker import Broker, Peer
from tests.test_live_session import BOOK, CELL

BASE = "tablevoice/looped_table"
OPENS_WITHIN_S = 120.0
LINKS = """
recogniser: {{kind: none}}
links:
  mqtt:
    port: {port}
    may: [events, buttons, close]
"""


def start(cell: Path, environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """The program as systemd starts it: nothing on its input."""
    return subprocess.Popen(
        [sys.executable, "-m", "tablevoice", "run", str(cell)], env=environment,
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def test_a_table_killed_in_mid_question_is_told_gone_and_comes_back_honest(
    pulse_environment: dict[str, str], tmp_path: Path
) -> None:
    async def scene(broker: Broker, cell: Path) -> None:
        async with Peer(broker, BASE) as peer:
            table = start(cell, pulse_environment)
            try:
                await peer.wait_for(lambda _, row: row["type"] == "ready", OPENS_WITHIN_S)
                await peer.event("e1", "hello")
                done = await peer.outcome("e1")
                assert done["said"] == "said"
                await peer.event("q1", "colour_asked")
                await peer.wait_for(lambda _, r: r["type"] == "said" and r["id"] == "q1")
            finally:
                table.send_signal(signal.SIGKILL)
                table.wait()
            await peer.status("closed", "gone")
            await peer.event("e2", "hello")
            before = len(peer.seen)
            table = start(cell, pulse_environment)
            try:
                interrupted = await peer.outcome("q1", OPENS_WITHIN_S)
                assert "stopped while this event was open" in interrupted["what"]
                assert (await peer.outcome("e2"))["said"] == "said"
                await peer.event("e1", "hello")
                await peer.event("q1", "colour_asked")
                await peer.send({"type": "close", "id": "c1"})
                await peer.wait_for(
                    lambda below, row: below == "status" and row.get("why") == "asked")
                assert table.wait(60) == 0
            finally:
                table.kill()
                table.wait()
            after = [(below, row) for below, row, _ in peer.seen[before:]]
            assert [r["id"] for below, r in after if below == "out/said"] == ["e2"]
            assert peer.outcomes("e1") == [done, done]
            assert peer.outcomes("q1") == [interrupted, interrupted]

    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    with Broker(tmp_path / "broker") as broker:
        cell = tmp_path / "cell.yaml"
        cell.write_text(CELL + LINKS.format(port=broker.port), encoding="utf-8")
        asyncio.run(scene(broker, cell))
    sounded = [
        row["id"] for file in (tmp_path / "records").glob("*/session.jsonl")
        for row in map(json.loads, file.read_text("utf-8").splitlines())
        if row["type"] == "said" and row["start_s"] is not None and row["event"] == "hello"
    ]  # fmt: skip
    assert sorted(sounded) == ["mqtt/e1", "mqtt/e2"]
