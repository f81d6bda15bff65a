"""The guard's state as one JSON object, for the talking half and for people.

Pure. The fields are described in GUARD.md; ``STATUS_VERSION`` changes when one changes its
meaning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tablevoice.guard.latch import Level, Reset, Rules, State, phase
from tablevoice.guard.priority import Favour
from tablevoice.guard.proof import Press, Verdict

STATUS_VERSION = 1

_WHY = {
    "permitted": "",
    "awaiting_reset": "All inputs are closed. Press the reset at the machine.",
    "held": "Held. Reset at the machine.",
    "tripped": "Stopped. Reset at the machine.",
}


def status(
    table: str,
    rules: Rules,
    state: State,
    levels: Sequence[Level],
    reset: Reset,
    presses: Mapping[str, Press],
    verdict: Verdict,
    links: Mapping[str, str],
    favour: Favour,
    lost: int,
    since_ns: int,
    now_ns: int,
) -> dict[str, object]:
    """Build the status message; levels are in the order of ``rules.inputs``."""
    word = phase(rules, state)
    inputs: dict[str, object] = {}
    for rule, level in zip(rules.inputs, levels, strict=True):
        one: dict[str, object] = {
            "level": level.name.lower(),
            "latches": "hold" if rule.protective else "trip",
        }
        if rule.name in presses:
            proven_ns = presses[rule.name].proven_ns
            one["pressed_ago_s"] = (
                None if proven_ns is None else round((now_ns - proven_ns) / 1e9, 1)
            )
        inputs[rule.name] = one
    return {
        "v": STATUS_VERSION,
        "type": "status",
        "table": table,
        "state": word,
        "permit": state.permit,
        "latched": state.latched.name.lower(),
        "causes": list(state.causes),
        "why": _WHY[word],
        "inputs": inputs,
        "reset": reset.name.lower(),
        "links": {where: why or "up" for where, why in links.items()},
        "proven": verdict.proven,
        "why_not_proven": verdict.why,
        "since_monotonic_s": round(since_ns / 1e9, 3),
        "monotonic_s": round(now_ns / 1e9, 3),
        "real_time": favour.real_time,
        "locked_memory": favour.locked_memory,
        "refused_by_system": list(favour.refused),
        "lost_messages": lost,
    }
