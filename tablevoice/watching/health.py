"""Turns facts into one verdict with reasons, and says which hangs deserve a restart.

Pure: no clock, file or device. ``failing``: the table cannot do its work until somebody comes.
``degraded``: it works with less, or will stop working soon. Called by the session's watch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from tablevoice.watching.facts import Facts, HistoryFacts, ListeningFacts, LoopFacts

Verdict: TypeAlias = Literal["ok", "degraded", "failing"]

RANK: dict[Verdict, int] = {"ok": 0, "degraded": 1, "failing": 2}

LAG_DEGRADED_S, LAG_FAILING_S = 0.25, 2.0
"""A person takes a pause above a quarter of a second for none at all, and above two for a
table that does not answer (common practice)."""

LOOP_HUNG_S = 10.0
EAR_SLOW_S, EAR_HUNG_S = 4.0, 15.0
"""The microphone keeps 4 s for a slow ear; an utterance takes an ear a fraction of its length."""

DISK_SLOW_S, DISK_HUNG_S = 5.0, 60.0
"""A worn memory card can take seconds for one write."""

FREE_LOW_MB, FREE_OUT_MB = 500.0, 50.0
SILENT_MICROPHONE_S = 60.0
"""A room is never digitally silent for so long; a muted microphone is."""


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that is not well: which part, how bad, what, where, and what to do."""

    part: Annotated[str, Field(description="loop, loudspeaker, microphone, ...; link NAME.")]
    verdict: Literal["degraded", "failing"]
    what: str
    where: str = ""
    do: str = ""

    def __str__(self) -> str:
        return f"{self.what} {self.do}".rstrip()


@dataclass(frozen=True, slots=True)
class Health:
    """The worst of ``reasons``, worst first; ``ok`` where there are none."""

    verdict: Verdict
    reasons: tuple[Reason, ...] = ()


def judge(facts: Facts) -> Health:
    """How the table is doing."""
    found = sorted(_reasons(facts), key=lambda reason: -RANK[reason.verdict])
    return Health(found[0].verdict if found else "ok", tuple(found))


def hang(facts: Facts) -> str:
    """What makes no progress any more and would after a restart; empty where all goes round.

    Devices, engines, brokers and guards are tried again by their own parts, so their loss is
    no reason for one; nor is anything that a new process would find as it is.
    """
    if facts.loop.overdue_s > LOOP_HUNG_S:
        return f"the loop has not gone round for {facts.loop.overdue_s:.0f} s"
    if facts.listening is not None and not facts.listening.thread_alive:
        return "the listening thread has died"
    if facts.listening is not None and facts.listening.busy_s > EAR_HUNG_S:
        return f"the recogniser has been at one sound for {facts.listening.busy_s:.0f} s"
    for name, device in (("loudspeaker", facts.loudspeaker), ("microphone", facts.microphone)):
        if device is not None and not device.thread_alive:
            return f"the {name}'s thread has died"
    if facts.history.busy_s > DISK_HUNG_S:
        return f"the record has been at one write for {facts.history.busy_s:.0f} s"
    return ""


def _reasons(facts: Facts) -> Iterator[Reason]:
    yield from _loop(facts.loop)
    if not facts.loudspeaker.open:
        yield Reason(
            "loudspeaker", "failing", "The loudspeaker is gone: the table is mute.",
            "sound devices",
            "Check its cable and the sound server; it is tried again until it is back.",
        )  # fmt: skip
    if facts.microphone is not None and not facts.microphone.open:
        yield Reason(
            "microphone", "degraded", "The microphone is gone: nobody is heard, buttons answer.",
            "sound devices",
            "Check its cable and the sound server; it is tried again until it is back.",
        )  # fmt: skip
    elif facts.listening is not None:
        yield from _listening(facts.listening, facts.uptime_s)
    if facts.engine.failures_in_a_row:
        yield Reason(
            "engine", "degraded",
            f"The last {facts.engine.failures_in_a_row} lines that were not prepared could not "
            f"be said: {facts.engine.why}", "speech engine",
            "Prepared lines go on. Run `tablevoice prepare` and `tablevoice check`.",
        )  # fmt: skip
    yield from _history(facts.history)
    if facts.guard is not None and facts.guard.state == "silent":
        yield Reason(
            "guard", "failing", "The stop guard does not answer: the table asks nothing.",
            "stop guard", "Look at its service: systemctl status tablevoice-guard.",
        )  # fmt: skip
    elif facts.guard is not None and not facts.guard.armed:
        yield Reason(
            "guard", "degraded",
            f"The stop guard is not armed ({facts.guard.state}). {facts.guard.why}".rstrip(),
            "stop guard", "Go to the machine, see why it stopped, and only then press its reset.",
        )  # fmt: skip
    for name, link in facts.links.items():
        if not link.up:
            yield Reason(
                f"link {name}", "degraded", f"The link {name} is down. {link.why}".rstrip(),
                f"link {name}", "Check the other end and the network; it is tried again.",
            )  # fmt: skip


def _loop(loop: LoopFacts) -> Iterator[Reason]:
    late_s = max(loop.overdue_s, loop.lag_s)
    if late_s > LAG_DEGRADED_S:
        bad = late_s > LAG_FAILING_S
        yield Reason(
            "loop", "failing" if bad else "degraded",
            f"The table's loop came {late_s:.1f} s late.", "computer",
            "See what else runs on this computer: something takes its time.",
        )  # fmt: skip


def _listening(listening: ListeningFacts, uptime_s: float) -> Iterator[Reason]:
    if not listening.thread_alive:
        yield Reason(
            "recogniser", "failing", "The listening thread has died: nobody is heard.",
            "recogniser", "Start the table again, and send the log to its maker.",
        )  # fmt: skip
    elif listening.busy_s > EAR_SLOW_S:
        yield Reason(
            "recogniser", "failing" if listening.busy_s > EAR_HUNG_S else "degraded",
            f"The recogniser has been at one sound for {listening.busy_s:.0f} s.", "recogniser",
            "If it stays so, start the table again; with its service's watchdog that is done.",
        )  # fmt: skip
    quiet_s = uptime_s if listening.sound_ago_s is None else listening.sound_ago_s
    if quiet_s > SILENT_MICROPHONE_S:
        yield Reason(
            "microphone", "degraded",
            f"The microphone has given digital silence for {quiet_s:.0f} s.", "sound devices",
            "See whether it is muted (alsamixer, pactl list sources) or its plug is loose.",
        )  # fmt: skip


def _history(history: HistoryFacts) -> Iterator[Reason]:
    if history.problem:
        yield Reason(
            "history", "degraded", f"Nothing is being kept: {history.problem}", history.file,
            "Mend it soon: lines may come again too early after the next start.",
        )  # fmt: skip
    if history.busy_s > DISK_SLOW_S:
        yield Reason(
            "history", "failing" if history.busy_s > DISK_HUNG_S else "degraded",
            f"A write to the disk has taken {history.busy_s:.0f} s so far.", history.file,
            "Check the disk, first its health, then what else writes to it.",
        )  # fmt: skip
    if history.free_mb is not None and history.free_mb < FREE_LOW_MB:
        yield Reason(
            "disk", "failing" if history.free_mb < FREE_OUT_MB else "degraded",
            f"Only {history.free_mb:.0f} MB are free.", history.file, "Make room on this disk.",
        )  # fmt: skip
