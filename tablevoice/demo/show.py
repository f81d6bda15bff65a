"""Plays the built-in scenario and leaves a recording, captions, a log and a picture.

Puts the simulated controller and visitor around a real table in a simulated room: the
voices come out of the speech engine, every word that the table reacts to went through
the room, the microphone path and the recogniser. Nothing of what is heard is scripted.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from tablevoice import __version__
from tablevoice.acoustics.levels import active_level_dbfs, with_gain
from tablevoice.acoustics.noise import shop_noise
from tablevoice.acoustics.room import Block, Room
from tablevoice.actions import Send
from tablevoice.assembly import Assembly
from tablevoice.audio.clip_files import ClipWriter, read_clip
from tablevoice.cell import load_cell
from tablevoice.demo.controller import Controller
from tablevoice.demo.guarded_cell import Bench, Contacts
from tablevoice.demo.lanterns import ALDER, BRIAR, MOTH, VISITOR, evening
from tablevoice.demo.visitor import Aside, Bystander, Remark, Visitor
from tablevoice.errors import MessageRefused, StoreUnwritable
from tablevoice.links import messages
from tablevoice.links.messages import Outbound
from tablevoice.model import LISTENING_RATE_HZ, Voice
from tablevoice.session_records import Record
from tablevoice.shipped import shipped
from tablevoice.simulation import SimulatedSession
from tablevoice.speech.preparing import Progress
from tablevoice.timeline import draw_timeline, read_session, tell

SEED = 11
NOISE_DBFS, PERSON_DBFS = -40.0, -26.0
"""Levels at the microphone: a visitor at arm's length is 14 dB above the shop."""

MUMBLES_DB = 14.0
"""The visitor's first answer is this much softer: as loud as the shop, so it is seldom clear."""

LONGEST_S = 180.0
"""The show ends by itself long before; past this the visitor has gone home."""

FRIEND = "friend"
PEOPLE = {
    VISITOR: Voice(VISITOR, voice="en-us+f3", rate_wpm=140, pitch=50),
    FRIEND: Voice(FRIEND, voice="en-gb-scotland+m2", rate_wpm=165, pitch=45),
}
ASIDES = {
    VISITOR: (Aside("lit", 1, Remark("pause", 0.7, gain_db=2.0)),),
    FRIEND: (
        Aside("dull", 1, Remark("They built all of this in a garage", 0.3)),
        Aside("dull_visitor", 1, Remark("Look at the paper ones up there", 0.4)),
    ),
}
WISHES = ("violet", "teal", "silver")
LIGHTS = {ALDER: 3, BRIAR: 4, VISITOR: 3}
CALLS = {ALDER: "silver", BRIAR: "crimson"}
BASKET = (
    "teal", MOTH, "silver",
    "crimson", "violet", "teal",
    MOTH, "silver", "violet",
    "teal", "silver", "silver",
)  # fmt: skip
STOPPED_IN = "moth"
STOPPED_AFTER_S = 0.7
STOPPED_NOT_BEFORE_S = 30.0
"""Somebody presses the stop in the middle of a line of this event, late in the session."""

RESET_AFTER_S = 4.5
MADE = ("session.wav", "captions.vtt", "session.jsonl", "timeline.png")


@dataclass(frozen=True, slots=True)
class Shown:
    """What the show made: the files, how long the session was, and how long it took."""

    files: tuple[Path, ...]
    session_s: float
    took_s: float


def show(
    folder: Path,
    *,
    overheard: Callable[[Outbound], None] = lambda message: None,
    preparing: Progress | None = None,
    pace: Callable[[Block], None] = lambda block: None,
    bench: Bench | None = None,
) -> Shown:
    """Play the scenario into ``folder``; the files of an earlier show there are replaced.

    ``overheard`` is told every message of the table, ``preparing`` how far the lines
    are, ``pace`` every block of sound. ``bench``: where the stop guard is, if there is one.
    Draws no picture: see :func:`draw`. Raises TablevoiceError.
    """
    began_s = time.monotonic()
    _clear(folder)
    cell = load_cell(shipped("lantern_table.yaml"))
    guard = None if bench is None else bench.guard_file
    cell = replace(cell, history_file=folder / "history.sqlite", guard=guard)
    with Assembly(cell) as parts, ExitStack() as open_parts:
        contacts = None if bench is None else open_parts.enter_context(Contacts(bench))
        parts.prepare(preparing)
        if parts.history is not None:
            parts.history.begin_session(cell.table, __version__)
        room = Room(
            shop_noise(20.0, LISTENING_RATE_HZ, SEED, level_dbfs=NOISE_DBFS),
            arms=tuple(cell.voices),
            people=tuple(PEOPLE),
            person_level_dbfs=None,
        )
        with (
            Record(
                folder,
                parts.history,
                title=cell.phrasebook.title,
                language=cell.phrasebook.language,
            ) as record,
            ClipWriter(folder / "session.wav", room.table_rate_hz) as recording,
        ):

            def heard_in_the_room(block: Block) -> None:
                recording.append(block.heard_at_table)
                pace(block)

            session = SimulatedSession(
                parts.open_table(SEED), parts.open_ear(), room, parts.voices, record,
                pace=heard_in_the_room,
            )  # fmt: skip
            _play(session, parts, record, overheard, contacts)
            session_s = session.now_s
    files = tuple(folder / name for name in MADE)
    return Shown(files, session_s, time.monotonic() - began_s)


def draw(folder: Path) -> None:
    """The picture of the session in ``folder``."""
    sound = read_clip(folder / "session.wav")
    story = tell(read_session(folder / "session.jsonl"))
    draw_timeline(story, sound, folder / "timeline.png", "Lantern strings: one session")


def _play(
    session: SimulatedSession,
    parts: Assembly,
    record: Record,
    overheard: Callable[[Outbound], None],
    contacts: Contacts | None,
) -> None:
    def later(after_s: float, what: Callable[[], None]) -> None:
        session.at(session.now_s + after_s, what)

    def speak(who: str, remark: Remark) -> None:
        spoken = parts.store.clip_for(remark.text, PEOPLE[who], parts.engine)
        level_dbfs = active_level_dbfs(spoken.samples, spoken.rate_hz)
        clip = with_gain(spoken, PERSON_DBFS - level_dbfs + remark.gain_db)
        session.speak(who, remark.text, clip)

    people = {
        VISITOR: Visitor(WISHES, ASIDES[VISITOR], mumbles_db=MUMBLES_DB),
        FRIEND: Bystander(ASIDES[FRIEND]),
    }
    press_reset = None
    if contacts is not None:
        session.ask_hold = lambda kind: session.guard_changed(contacts.ask_hold(kind))

        def press_reset() -> None:
            record.happened("reset_pressed", session.now_s)
            session.guard_changed(contacts.release_and_reset())

    controller = Controller(
        evening(LIGHTS, BASKET, CALLS), session.receive, later, RESET_AFTER_S, press_reset
    )

    def told(sent: Send) -> None:
        overheard(sent.message)
        controller.hears(sent.message)
        for who, person in people.items():
            for remark in person.hears(sent.message):
                later(remark.after_s, partial(speak, who, remark))

    session.overheard = told
    session.open(__version__)
    if contacts is not None:
        session.guard_changed(contacts.now())
    later(0.8, controller.begin)
    pressed = contacts is None
    while session.now_s < LONGEST_S and not (controller.finished and session.table.idle):
        session.step()
        if contacts is not None and not pressed and _middle_of_the_sentence(session):
            pressed = True
            view, reaction_ms = contacts.press_stop()
            record.happened("stop_pressed", session.now_s, reaction_ms=reaction_ms)
            session.guard_changed(view)
    for _ in range(20):  # let the room ring out
        session.step()
    session.receive(messages.Close())
    if controller.refused is not None:
        error = controller.refused
        raise MessageRefused(error.what, where=error.where, do=error.do)


def _middle_of_the_sentence(session: SimulatedSession) -> bool:
    return session.now_s > STOPPED_NOT_BEFORE_S and session.sounding(STOPPED_IN, STOPPED_AFTER_S)


def _clear(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in (*MADE, "history.sqlite", "history.sqlite-wal", "history.sqlite-shm"):
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise StoreUnwritable(
            f"The demo's files cannot be written: {error.strerror}.", where=str(folder),
            do="Choose another folder with --out.",
        ) from error  # fmt: skip
