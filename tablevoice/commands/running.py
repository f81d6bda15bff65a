"""Runs a live table with its messages on standard input and output.

Joins a session to the JSON-lines link and to those of the cell file, and decides when it is
over: at ``close``, at a signal, or, where there is no other link, at the end of the input
once everything is answered. Called by ``tablevoice run``.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tablevoice.cell import Cell
from tablevoice.commands.following_edits import follow_edits
from tablevoice.commands.taking_in import TakingIn
from tablevoice.linking import Audience, open_links
from tablevoice.links import messages
from tablevoice.links.standard_streams import Writer, read_forever, unbuffered_input
from tablevoice.session import Session
from tablevoice.session_watch import Watch
from tablevoice.speech.preparing import Progress
from tablevoice.watching.logs import Log
from tablevoice.watching.sign_of_life import SignOfLife

LOOK_S = 0.05
"""How often the end of the last line is looked for once the input is over."""


@dataclass(frozen=True, slots=True)
class Telling:
    """Who is told how it goes: the log, how far preparation is, a person at the terminal.

    ``opened`` is called once the table is open. ``says`` is given a line about each phrasebook
    that is saved meanwhile. ``speech``: the log may have what was said.
    """

    log: Log
    progress: Progress
    opened: Callable[[], None]
    says: Callable[[str], None]
    speech: bool = False


async def run_table(cell: Cell, record: Path | None, telling: Telling) -> None:
    """Open the table and serve it until it is over.

    Raises TablevoiceError when it cannot open.
    """
    loop = asyncio.get_running_loop()
    service = SignOfLife.of(os.environ)
    writer = Writer(sys.stdout.buffer)
    input_over = asyncio.Event()
    watch = Watch(
        cell, telling.log, service, speech=telling.speech,
        queues={"messages_out": lambda: writer.waiting},
    )  # fmt: skip

    def prepared(done: int, of: int) -> None:
        service.starting(f"preparing lines: {done} of {of}")
        telling.progress(done, of)

    try:
        audience = Audience(writer.put, watch.told)
        async with (
            Session(
                cell, audience, overheard=watch.received, record_folder=record, progress=prepared
            ) as session,
            open_links(session, audience) as links,
        ):
            telling.opened()

            def over() -> None:
                if not links:  # a service has no input, and others may still send
                    input_over.set()

            def close() -> None:
                if not session.closed.is_set():
                    session.receive(messages.Close())

            taking_in = TakingIn(session, audience, over, lambda: writer.waiting)
            _on_signals(loop, close)
            with watch.over(session, links):
                read_forever(unbuffered_input(), taking_in.put)
                following = loop.create_task(follow_edits(session, telling.says))
                try:
                    await _over(session, input_over)
                finally:
                    following.cancel()
                    await asyncio.wait([following])
                    if not following.cancelled():
                        following.result()  # a mistake of the program is not to be lost
    finally:
        writer.close()
        service.close()


async def _over(session: Session, input_over: asyncio.Event) -> None:
    waits = [asyncio.ensure_future(event.wait()) for event in (session.closed, input_over)]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        while not (session.closed.is_set() or session.idle):
            await asyncio.sleep(LOOK_S)
    finally:
        for wait in waits:
            wait.cancel()


def _on_signals(loop: asyncio.AbstractEventLoop, close: Callable[[], None]) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        try:
            loop.add_signal_handler(number, close)
        except NotImplementedError:  # Windows: Ctrl-C arrives as KeyboardInterrupt
            return
