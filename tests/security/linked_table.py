"""``python -m tests.security.linked_table FOLDER``: a real table, linked every way, for one event.

Its own sound server, a mosquitto that asks for a password, ``tablevoice run`` with both links,
health, figures, record and the most talkative log; one event over the broker, one over standard
input. Everything that the table writes lies in ``FOLDER/table``. Meant to be run where there is
no route out.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

from tests.links.broker import Broker, Peer, free_port
from tests.sound_path import SoundServer

USER, PASSWORD = "lantern", "amber-Lantern-17-silver"
CELL = """
format: 1
table: linked table
phrasebooks: [book.yaml]
voices: {{Alder: {{engine: espeak, voice: en-gb}}}}
recogniser: {{kind: none}}
loudspeaker: {{device: pulse, latency: high}}
store: {{folder: store, max_mb: 50}}
history: {{file: history.sqlite, keep_audio_days: 0}}
record: record
health: {{file: health.json, every_s: 1}}
metrics: {{port: {metrics}}}
links:
  mqtt: {{host: localhost, port: {broker}, name: linked, user: {user}, password_file: ../secret}}
  modbus: {{role: server, port: {modbus}, numbers: {{events: {{hello: 1}}}}}}
"""
BOOK = """
format: 1
title: Linked
language: en
events:
  hello: {about: Opens., priority: banter, lines: [Good morning.]}
standing:
  pause: {phrases: [pause]}
"""


async def played(folder: Path) -> None:
    table = folder / "table"
    table.mkdir()
    secret = folder / "secret"
    secret.write_text(PASSWORD + "\n", encoding="utf-8")
    secret.chmod(0o600)
    sound = SoundServer(folder / "sound")
    sound.start()
    try:
        with Broker(folder / "broker", users={USER: PASSWORD}) as broker:
            (table / "book.yaml").write_text(BOOK, encoding="utf-8")
            (table / "cell.yaml").write_text(CELL.format(
                broker=broker.port, modbus=free_port(), metrics=free_port(), user=USER,
            ), encoding="utf-8")  # fmt: skip
            with (table / "log").open("wb") as log, (table / "messages").open("wb") as out:
                running = subprocess.Popen(
                    [sys.executable, "-m", "tablevoice", "run", table / "cell.yaml", "--log",
                     "json", "--log-level", "debug", "--log-speech"],
                    stdin=subprocess.PIPE, stdout=out, stderr=log,
                    env={**os.environ, **sound.environment},
                )  # fmt: skip
            assert running.stdin is not None
            async with Peer(broker, "tablevoice/linked", user=USER, password=PASSWORD) as peer:
                await peer.status("ready")
                await peer.event("m1", "hello")
                assert (await peer.outcome("m1", 60))["said"] == "said"
                told = await peer.wait_for(
                    lambda topic, row: topic == "health"
                    and row["health"]["facts"]["links"]["mqtt"]["up"]
                )
                (table / "told_health.json").write_text(json.dumps(told["health"]), "utf-8")
            for message in ({"type": "event", "id": "s1", "event": "hello"}, {"type": "close"}):
                running.stdin.write(json.dumps({"v": 1, **message}).encode() + b"\n")
            running.stdin.close()
            if (status := await asyncio.to_thread(running.wait, 60)) != 0:
                raise AssertionError(f"tablevoice run ended with {status}")
    finally:
        sound.stop()


if __name__ == "__main__":
    asyncio.run(played(Path(sys.argv[1])))
