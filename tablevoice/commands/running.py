"""Runs a live table with its messages on standard input and output.

Joins a session to the JSON-lines link and to those of the cell file, and decides when it is
over: at ``close``, at a signal, or, where there is no other link, at the end of the input
once everything is answered. Called by ``tablevoice run``.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from tablevoice.cell import Cell
from tablevoice.commands.following_edits import follow_edits
from tablevoice.commands.taking_in import TakingIn
from tablevoice.linking import Audience, open_links
from tablevoice.links import messages
from tablevoice.links.standard_streams import Writer, read_forever, unbuffered_input
from tablevoice.session import Session
from tablevoice.speech.preparing import Progress

LOOK_S = 0.05
"""How often the end of the last line is looked for once the input is over."""


async def run_table(
    cell: Cell,
    record: Path | None,
    progress: Progress,
    opened: Callable[[], None],
    says: Callable[[str], None] = lambda text: None,
) -> None:
    """Open the table and serve it until it is over; ``opened`` is called once it is open.

    ``says`` is given a line for a person about each phrasebook that is saved meanwhile.
    Raises TablevoiceError when it cannot open.
    """
    loop = asyncio.get_running_loop()
    writer = Writer(sys.stdout.buffer)
    input_over = asyncio.Event()
    try:
        audience = Audience(writer.put)
        async with (
            Session(cell, audience, record_folder=record, progress=progress) as session,
            open_links(session, audience) as links,
        ):
            opened()

            def over() -> None:
                if not links:  # a service has no input, and others may still send
                    input_over.set()

            def close() -> None:
                if not session.closed.is_set():
                    session.receive(messages.Close())

            read_forever(unbuffered_input(), TakingIn(session, audience, over).put)
            _on_signals(loop, close)
            following = loop.create_task(follow_edits(session, says))
            try:
                await _over(session, input_over)
            finally:
                following.cancel()
                await asyncio.wait([following])
                if not following.cancelled():
                    following.result()  # a mistake of the program is not to be lost
    finally:
        writer.close()


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
