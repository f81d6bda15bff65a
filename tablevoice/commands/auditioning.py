"""Speaks lines of an event on their own, to hear how they sound in their voices.

Uses the session's own voices and slots, but no table and no memory: what is auditioned
is not used up. Called by ``tablevoice say``.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from tablevoice.assembly import Assembly
from tablevoice.audio.clip_files import ClipWriter, to_rate
from tablevoice.audio.loudspeaker import Loudspeaker
from tablevoice.cell import Cell
from tablevoice.errors import MessageRefused
from tablevoice.model import Clip, EventLines, SlotValue
from tablevoice.nearest import advice
from tablevoice.phrasebook.choosing import Chooser
from tablevoice.phrasebook.slots import check_slots, eligible, fill, fill_marked, voice_of

GAP_S = 0.4
FILE_RATE_HZ = 24_000


def audition(
    cell: Cell, event_name: str, pairs: Sequence[str], *, out: Path | None, every: bool
) -> Iterator[tuple[str, str]]:
    """Say a line of an event, or with ``every`` all that fit; gives voice and text of each.

    ``pairs`` are ``slot=value`` texts. Into the sound file ``out``, else through the
    cell's loudspeaker. Raises TablevoiceError.
    """
    book = cell.phrasebook
    event = book.events.get(event_name)
    if event is None:
        raise MessageRefused(
            f"There is no event {event_name!r}.", do=advice(event_name, book.events)
        )
    slots = parse_slots(pairs, book.slot_values)
    check_slots(event, book.slot_values, slots)
    with Assembly(cell, remember=False) as parts:
        default = parts.default_voice
        lines = _all(event, slots, default) if every else [_one(parts, event, slots)]
        clips = (
            (voice, text, parts.voices.clip(text, voice, marked)) for voice, text, marked in lines
        )
        if out is None:
            yield from _played(cell, clips)
        else:
            yield from _written(out, clips)


def parse_slots(
    pairs: Sequence[str], known: Mapping[str, tuple[SlotValue, ...] | None]
) -> dict[str, SlotValue]:
    """``slot=value`` texts as slots; a number where the slot's known values are numbers."""
    slots: dict[str, SlotValue] = {}
    for pair in pairs:
        name, equals, text = pair.partition("=")
        if not equals:
            raise MessageRefused(
                f"{pair!r} is not a slot with a value.", do="Write it as SLOT=VALUE."
            )
        numbers = [value for value in known.get(name) or () if isinstance(value, int)]
        is_number = bool(numbers) and text.lstrip("-").isdecimal() and len(text) < 10
        slots[name] = int(text) if is_number else text
    return slots


def _one(
    parts: Assembly, event: EventLines, slots: Mapping[str, SlotValue]
) -> tuple[str, str, str]:
    chooser = Chooser(parts.cell.phrasebook, time.time_ns())
    chosen = chooser.choose(event.name, slots, parts.default_voice)
    return chosen.voice, chosen.text, fill_marked(chosen.line.text, slots)


def _all(
    event: EventLines, slots: Mapping[str, SlotValue], default: str
) -> list[tuple[str, str, str]]:
    return [
        (voice_of(line, slots, default), fill(line.text, slots), fill_marked(line.text, slots))
        for line in event.lines
        if eligible(line, slots)
    ]


def _played(
    cell: Cell, clips: Iterator[tuple[str, str, Clip]]
) -> Iterator[tuple[str, str]]:
    with Loudspeaker(cell.loudspeaker.device, cell.loudspeaker.latency) as loudspeaker:
        for voice, text, clip in clips:
            yield voice, text
            _play_to_the_end(loudspeaker, clip)
            time.sleep(GAP_S)


def _play_to_the_end(loudspeaker: Loudspeaker, clip: Clip) -> None:
    over = threading.Event()
    loudspeaker.play(clip, on_ended=lambda cut: over.set())
    over.wait(clip.duration_s + 10.0)


def _written(out: Path, clips: Iterator[tuple[str, str, Clip]]) -> Iterator[tuple[str, str]]:
    with ClipWriter(out, FILE_RATE_HZ) as file:
        for voice, text, clip in clips:
            file.append(to_rate(clip, FILE_RATE_HZ).samples)
            yield voice, text
