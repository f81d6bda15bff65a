"""Stages the demo: the stop guard and its simulated cell first, then the talking half.

The talking half runs as a child, so that at the end it can be killed for good and the
stop be pressed once more: the guard must not care. Called by ``tablevoice demo``.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tablevoice.demo.guarded_cell import Bench, Contacts, GuardedCell
from tablevoice.demo.playback import Playback
from tablevoice.demo.show import MADE, draw, show
from tablevoice.errors import TablevoiceError
from tablevoice.links.messages import OUTBOUND_TYPES, Outbound
from tablevoice.rehearsal.playing import Played
from tablevoice.speech.preparing import Progress

KILLED_AFTER_S, PRESSED_AFTER_S = 0.8, 1.6
"""On the session's clock, after its end: so that the picture shows one after the other."""


@dataclass(frozen=True, slots=True)
class Audience:
    """Who is told what: a line of text, every message of the table, how far preparation is."""

    says: Callable[[str], None]
    overheard: Callable[[Outbound], None]
    preparing: Progress


def perform(folder: Path, audience: Audience, *, quiet: bool) -> Played:
    """Play the demo into ``folder``. Raises TablevoiceError."""
    with ExitStack() as cell:
        try:
            bench = cell.enter_context(GuardedCell())
        except (TablevoiceError, OSError) as error:
            audience.says(f"No stop guard on this system ({error}): the demo goes on without.")
            shown = _unguarded(folder, audience, quiet)
        else:
            audience.says("Stop guard armed: its stop was pressed and its reset operated.")
            shown = _guarded(folder, audience, bench, quiet)
    draw(folder)
    return shown


def _unguarded(folder: Path, audience: Audience, quiet: bool) -> Played:
    with Playback.open(quiet) as playback:
        audience.says(playback.says)
        return show(
            folder,
            overheard=audience.overheard,
            preparing=audience.preparing,
            pace=playback.pace,
        )


def _guarded(folder: Path, audience: Audience, bench: Bench, quiet: bool) -> Played:
    began_s = time.monotonic()
    talking = subprocess.Popen(
        [
            *(sys.executable, "-m", "tablevoice.demo.talking", str(folder)),
            *(str(bench.guard_file), str(bench.control_port), "quiet" if quiet else "aloud"),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
    )
    try:
        over = _follow(talking, audience)
        shown = Played(tuple(folder / name for name in MADE), over["session_s"], 0.0)
        talking.kill()
        talking.wait()
        with Contacts(bench) as contacts:
            _, reaction_ms = contacts.press_stop()
    finally:
        talking.kill()
        talking.wait()
        if talking.stdout is not None:
            talking.stdout.close()
    audience.says(
        f"The talking half was killed and the stop pressed again: permit off in "
        f"{reaction_ms:.1f} ms, as seen by the controller."
    )
    end_s = shown.session_s
    with (folder / "session.jsonl").open("a", encoding="utf-8") as rows:
        for row in (
            {"type": "talking_half_killed", "at_s": round(end_s + KILLED_AFTER_S, 3)},
            {
                "type": "stop_pressed",
                "at_s": round(end_s + PRESSED_AFTER_S, 3),
                "reaction_ms": round(reaction_ms, 3),
            },
        ):
            rows.write(json.dumps({"from": "cell", **row}) + "\n")
    return replace(shown, took_s=time.monotonic() - began_s)


def _follow(talking: subprocess.Popen[bytes], audience: Audience) -> dict[str, Any]:
    """Pass on what the talking half tells, up to its end."""
    assert talking.stdout is not None
    for line in talking.stdout:
        message = json.loads(line)
        match message["type"]:
            case "over":
                return dict(message)
            case "failed":
                raise TablevoiceError(message["what"], where=message["where"], do=message["do"])
            case "playback":
                audience.says(message["says"])
            case "preparing":
                audience.preparing(message["done"], message["of"])
            case kind if kind in OUTBOUND_TYPES:
                audience.overheard(OUTBOUND_TYPES[kind].model_validate_json(line))
            case _:
                pass
    raise TablevoiceError(
        "The talking half of the demo ended early.", do="Run `tablevoice check` to see why."
    )
