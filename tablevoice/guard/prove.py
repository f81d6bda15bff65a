"""``--prove``: walk a person through pressing every stop input of a running guard.

It reads the guard's status and prints; the guard itself sees the presses, so nothing can be
proven from here but by pressing. Sends nothing.
"""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable, Iterator

from tablevoice.guard.errors import GuardRefused
from tablevoice.guard.settings import Settings

ANSWER_WITHIN_S = 3.0


def statuses(address: str) -> Iterator[dict[str, object]]:
    """The status messages of a running guard, as they come.

    Raises:
        GuardRefused: no guard is there, or it went away.
    """
    try:
        if "/" in address:
            connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            connection.settimeout(ANSWER_WITHIN_S)
            connection.connect(address)
        else:
            host, _, port = address.rpartition(":")
            connection = socket.create_connection((host, int(port)), ANSWER_WITHIN_S)
        with connection, connection.makefile("rb") as lines:
            for line in lines:
                message = json.loads(line)
                if message.get("type") == "status":
                    yield message
    except OSError as problem:
        raise GuardRefused(
            f"no guard answers: {problem.strerror or problem}",
            where=address,
            do="Start the guard on this file first.",
        ) from problem
    raise GuardRefused("the guard went away", where=address, do="Look at its own messages.")


def prove(settings: Settings, say: Callable[[str], None], longest_s: float = 600.0) -> int:
    """Ask for a press of each stop input in turn; 0 when every one was seen.

    Raises:
        GuardRefused: the guard is not there.
    """
    wanted = [one.name for one in settings.inputs if not one.protective]
    until_s = time.monotonic() + longest_s
    started_s: float | None = None
    asked = ""
    for message in statuses(settings.status_address):
        now_s, inputs = message.get("monotonic_s"), message.get("inputs")
        if not isinstance(now_s, float) or not isinstance(inputs, dict):
            continue
        if started_s is None:
            started_s = now_s
            say("Clear the machine first: every press drops the permit.")
        for name in tuple(wanted):
            ago_s = inputs[name].get("pressed_ago_s")
            if ago_s is not None and now_s - ago_s >= started_s:
                wanted.remove(name)
                say(f"{name}: pressed and released, seen by the guard.")
        if not wanted:
            say("Every stop input is proven. Reset at the machine when it is clear.")
            return 0
        text = f"{wanted[0]}: now {inputs[wanted[0]]['level']}. Press it, wait a second, release."
        if text != asked:
            say(text)
            asked = text
        if time.monotonic() > until_s:
            break
    say(f"Not proven: {', '.join(wanted)}.")
    return 1
