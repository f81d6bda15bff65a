"""Facts of a table that is well, to be spoilt part by part."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from tablevoice.watching.facts import (
    DeviceFacts,
    EngineFacts,
    Facts,
    GuardFacts,
    HistoryFacts,
    LinkFacts,
    ListeningFacts,
    LoopFacts,
)

WELL = Facts(
    uptime_s=7200.0,
    loop=LoopFacts(0.0, 0.01),
    loudspeaker=DeviceFacts(open=True, losses=0),
    history=HistoryFacts("history.sqlite", "", 0, 0.0, 20_000.0),
    engine=EngineFacts(0),
    microphone=DeviceFacts(open=True, losses=1),
    listening=ListeningFacts(True, 0.0, 0.03, 0.03, -52.0, 0),
    guard=GuardFacts("permitted", armed=True, proven=True),
    links={"hall": LinkFacts(up=True)},
    queues={"lines": 0, "record": 0},
)


def spoilt(**parts: dict[str, Any] | None) -> Facts:
    """``WELL`` with fields of its parts changed; ``None`` takes the part away."""
    changed: dict[str, Any] = {
        name: None if fields is None else replace(getattr(WELL, name), **fields)
        for name, fields in parts.items()
    }
    return replace(WELL, **changed)
