"""How the parts of a live session are doing, read from each at one moment and not judged.

Knows the parts; reads plain values, so that it may be called from any thread, also while the
loop hangs. Called by the session for whoever watches it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tablevoice.audio.loudspeaker import Loudspeaker
from tablevoice.audio.microphone import Microphone
from tablevoice.dialogue.terms import Phase
from tablevoice.kept_ear import KeptEar
from tablevoice.session_records import Record
from tablevoice.table import Table
from tablevoice.watching.facts import DeviceFacts, EngineFacts, ListeningFacts


@dataclass(frozen=True, slots=True)
class Vitals:
    """What a session knows of itself. ``None`` for a part that it does not have.

    ``history_problem``: why nothing is being kept, empty while all is well; ``write_s``: how
    long the write that is under way has taken. ``hold``: the kind of the hold in force.
    """

    loudspeaker: DeviceFacts
    microphone: DeviceFacts | None
    listening: ListeningFacts | None
    engine: EngineFacts
    history_problem: str
    write_s: float
    queues: Mapping[str, int]
    hold: str | None
    question_open: bool


def vitals_of(
    table: Table,
    loudspeaker: Loudspeaker,
    ear: KeptEar | None,
    engine: EngineFacts,
    record: Record,
    unwritten: int,
) -> Vitals:
    """Read them all. ``unwritten``: rows that wait for the record's thread."""
    return Vitals(
        loudspeaker=_device(loudspeaker),
        microphone=None if ear is None else _device(ear.microphone),
        listening=None if ear is None else ear.facts(),
        engine=engine,
        history_problem=record.history_problem,
        write_s=record.busy_s,
        queues={"lines": len(table.queue.waiting), "record": unwritten},
        hold=None if table.hold is None else table.hold.kind,
        question_open=table.phase not in (Phase.IDLE, Phase.HELD),
    )


def _device(device: Loudspeaker | Microphone) -> DeviceFacts:
    return DeviceFacts(device.is_open, device.losses, device.thread_alive)
