"""The engine's process stopped, killed and misused, for real; the next line must sound."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import wave
from pathlib import Path

import pytest

from tablevoice.errors import EngineFailed
from tablevoice.markup import Words
from tablevoice.model import Voice
from tablevoice.speech.driving import packed
from tablevoice.speech.engines import BACK_OFF_S, Engine

ALDER = Voice("Alder", voice="en-gb+m3")
LONG = ("lantern " * 150).strip() + "."

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")


def running(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    return True


def zombie(process_id: int) -> bool:
    """Ended, but not collected: an orphan in a container without an init stays like that."""
    try:
        status = Path(f"/proc/{process_id}/stat").read_text("ascii")
    except OSError:
        return False
    return status.rpartition(")")[2].split()[0] == "Z"


def started(engine: Engine) -> int:
    engine.render("Amber.", ALDER, timeout_s=60.0)
    process_id = engine.process_id()
    assert process_id is not None
    return process_id


@posix
def test_a_hung_engine_is_ended_and_the_next_line_sounds() -> None:
    with Engine() as engine:
        hung = started(engine)
        os.kill(hung, signal.SIGSTOP)
        before_s = time.monotonic()
        with pytest.raises(EngineFailed, match="did not answer within 1 s") as failure:
            engine.render("Amber.", ALDER, timeout_s=1.0)
        assert 0.9 < time.monotonic() - before_s < 20.0
        assert "next line" in failure.value.problem.do
        assert not running(hung)
        assert engine.render("Amber.", ALDER, timeout_s=60.0).duration_s > 0.3
        assert engine.process_id() != hung


@posix
def test_an_engine_killed_in_mid_line_is_started_again_for_that_line() -> None:
    with Engine() as engine:
        whole_s = engine.render(LONG, ALDER, timeout_s=60.0).duration_s
        victim = engine.process_id()
        assert victim is not None
        # Stopped first, so that the line is certainly under way when the kill comes.
        os.kill(victim, signal.SIGSTOP)
        killer = threading.Timer(0.3, os.kill, (victim, signal.SIGKILL))
        killer.start()
        clip = engine.render(LONG, ALDER, timeout_s=60.0)
        killer.join()
        assert clip.duration_s == pytest.approx(whole_s, rel=0.01)
        assert engine.process_id() != victim
        assert engine.render("Amber.", ALDER, timeout_s=60.0).duration_s > 0.3


@posix
def test_an_engine_that_is_killed_between_lines_is_not_noticed() -> None:
    with Engine() as engine:
        for _ in range(3):
            os.kill(started(engine), signal.SIGKILL)
        assert engine.render("Amber.", ALDER, timeout_s=60.0).duration_s > 0.3


@posix
def test_ctrl_c_at_the_terminal_is_not_for_the_engine() -> None:
    with Engine() as engine:
        process_id = started(engine)
        os.kill(process_id, signal.SIGINT)
        assert engine.render("Amber.", ALDER, timeout_s=60.0).duration_s > 0.3
        assert engine.process_id() == process_id


PARENT = """
import sys, time
from tablevoice.model import Voice
from tablevoice.speech.engines import Engine
engine = Engine()
engine.render("Amber.", Voice("Alder"), timeout_s=60.0)
print(engine.process_id(), flush=True)
time.sleep(600)
"""


@posix
def test_the_engine_ends_with_the_process_that_started_it() -> None:
    parent = subprocess.Popen([sys.executable, "-c", PARENT], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    orphan = int(parent.stdout.readline())
    assert running(orphan)
    parent.kill()
    parent.communicate()
    until_s = time.monotonic() + 30.0
    while running(orphan) and not zombie(orphan) and time.monotonic() < until_s:
        time.sleep(0.05)
    assert not running(orphan) or zombie(orphan)


@posix
def test_a_line_that_kills_every_engine_is_given_up_and_others_go_on() -> None:
    with Engine() as engine:
        started(engine)
        victims: set[int] = set()
        enough = threading.Event()

        def hunt() -> None:
            while not enough.is_set():
                found = engine.process_id()
                if found is not None and found not in victims:
                    os.kill(found, signal.SIGKILL)
                    victims.add(found)
                time.sleep(0.001)

        hunter = threading.Thread(target=hunt)
        hunter.start()
        try:
            with pytest.raises(EngineFailed):
                engine.render(LONG, ALDER, timeout_s=60.0)
        finally:
            enough.set()
            hunter.join()
        assert 1 <= len(victims) <= len(BACK_OFF_S) + 1  # bounded
        assert engine.render("Amber.", ALDER, timeout_s=60.0).duration_s > 0.3


def test_an_engine_that_cannot_start_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", str(Path(sys.executable).with_name("no-such-python")))
    with Engine() as engine, pytest.raises(EngineFailed, match="does not start") as failure:
        engine.render("Amber.", ALDER)
    assert "pip install" in failure.value.problem.do


def test_closing_ends_the_process_and_leaves_no_files(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with Engine() as engine:
        process_id = started(engine)
        assert list(tmp_path.iterdir())
    assert not running(process_id)
    assert list(tmp_path.iterdir()) == []
    assert engine.render("Amber.", ALDER, timeout_s=60.0).duration_s > 0.3  # opens again
    engine.close()


# --- the child by itself ----------------------------------------------------------


def converse(requests: list[dict[str, object]]) -> list[dict[str, object]]:
    """What a child prints for these requests, line by line, until its input ends."""
    done = subprocess.run(
        [sys.executable, "-m", "tablevoice.speech.engine_worker", "espeak"],
        input="".join(json.dumps(request) + "\n" for request in requests),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=True,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


def request(text: str, file: Path, **changes: object) -> dict[str, object]:
    settings: dict[str, object] = {"voice": "en-us", "rate_wpm": 160, "pitch": 50}
    pieces = packed((Words(text),))
    return {"id": 1, "pieces": pieces, "file": str(file), **settings, **changes}


def test_the_child_prints_nothing_but_answers(tmp_path: Path) -> None:
    """pyttsx3 prints a line of its own for each file; it must not reach the pipe."""
    lines = [request("Amber.", tmp_path / f"{n}.wav", id=n) for n in range(3)]
    ready, *answers = converse(lines)
    assert ready.keys() == {"ready"}
    assert [answer["id"] for answer in answers] == [0, 1, 2]
    with wave.open(str(tmp_path / "2.wav")) as sound:
        assert (sound.getnchannels(), sound.getsampwidth()) == (1, 2)
        assert sound.getframerate() == 22_050
        assert sound.getnframes() > 5_000


def test_the_child_refuses_commands_to_the_engine(tmp_path: Path) -> None:
    _, refused, unknown, spoken = converse(
        [
            request("Which \x0150S colour?", tmp_path / "1.wav"),
            request("Amber.", tmp_path / "2.wav", voice="en-us+f33"),
            request("Amber.", tmp_path / "3.wav"),
        ]
    )
    assert "control characters" in str(refused["refused"])
    assert unknown["voice_unknown"] is True
    assert spoken["rendered"] == str(tmp_path / "3.wav")
    assert not (tmp_path / "1.wav").exists()
    assert not (tmp_path / "2.wav").exists()
