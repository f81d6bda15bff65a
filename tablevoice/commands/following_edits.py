"""Follows the phrasebook files of a running table, and has it use what is saved.

Knows files and that editors write them in several ways and in several steps; whether a
phrasebook is right is the loader's affair, when it is used the table's. Called by
``tablevoice run``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from hashlib import blake2b
from pathlib import Path

from tablevoice.cell import Cell, load_cell
from tablevoice.errors import FileRefused, Problem, TablevoiceError
from tablevoice.session import Session

STILL_S = 0.15
"""A file that did not change for so long is taken for written: editors take some ms."""
LONGEST_UNREST_S = 5.0
"""A file that never rests is read all the same."""
GRACE_S = 0.6
"""What is broken may be half-written: it is looked at once more after so long."""

NOT_FOLLOWED = Problem(
    "Phrasebooks that are saved while the table runs are not followed: watchfiles is missing.",
    "", "Install it with: pip install 'tablevoice[edit]'. Or start the table again after edits.",
)  # fmt: skip

Says = Callable[[str], None]


async def follow_edits(session: Session, says: Says) -> None:
    """Have ``session`` use each saved phrasebook that is right, until this is cancelled.

    ``says`` is given a line for a person about each: used, or refused and why.
    """
    try:
        from watchfiles import Change, awatch
    except ImportError:
        says(str(NOT_FOLLOWED))
        return
    files = {file.resolve() for file in session.cell.phrasebook_files}

    def ours(change: Change, path: str) -> bool:
        return Path(path).resolve() in files

    # Folders, not files: an editor that renames a new file into place leaves the old one behind.
    folders = sorted({str(file.parent) for file in files})
    follower = _Follower(session, tuple(sorted(files)), says)
    await follower.look()  # what was saved while the table opened
    try:
        async for _ in awatch(*folders, watch_filter=ours, recursive=False, step=50, debounce=400):
            await follower.look()
    except (OSError, RuntimeError) as error:  # such as no more watches, or a folder that is gone
        says(str(Problem(
            f"Phrasebooks that are saved are no longer followed: {error}.", "",
            "Start the table again after edits.",
        )))  # fmt: skip


class _Follower:
    """What was read last, and what became of it."""

    def __init__(self, session: Session, files: Sequence[Path], says: Says) -> None:
        self._session = session
        self._files = files
        self._says = says
        self._tried: bytes | None = None

    async def look(self) -> None:
        """Read the files once they rest, and have them used if they say something new."""
        digest = await self._at_rest()
        if digest == self._tried:
            return
        try:
            cell = await asyncio.to_thread(load_cell, self._session.cell.path)
        except FileRefused as refused:
            await asyncio.sleep(GRACE_S)
            if await asyncio.to_thread(self._digest) != digest:
                await self.look()  # it was half-written
                return
            self._tried = digest
            self._refuse(refused.problems)
            return
        self._tried = digest
        await self._use(cell)

    async def _use(self, cell: Cell) -> None:
        if cell.phrasebook == self._session.cell.phrasebook:
            return
        try:
            await self._session.use_phrasebook(cell)
        except FileRefused as refused:
            self._refuse(refused.problems)
        except TablevoiceError as error:
            self._refuse([error.problem])
        else:
            lines = sum(len(event.lines) for event in cell.phrasebook.events.values())
            self._says(f"The saved phrasebook is used from the next line on: {lines} lines.")

    def _refuse(self, problems: Sequence[Problem]) -> None:
        for problem in problems:
            self._says(f"error: {problem}")
        first = problems[0]
        more = f" ({len(problems) - 1} more findings)" if len(problems) > 1 else ""
        self._session.report_problem(Problem(
            f"The saved phrasebook is not used, the one before stays: {first.what}{more}",
            first.where, first.do,
        ))  # fmt: skip

    async def _at_rest(self) -> bytes:
        """What the files hold, once that has not changed for a moment."""
        found = await asyncio.to_thread(self._digest)
        waited_s = 0.0
        while waited_s < LONGEST_UNREST_S:
            await asyncio.sleep(STILL_S)
            waited_s += STILL_S
            before, found = found, await asyncio.to_thread(self._digest)
            if found == before:
                break
        return found

    def _digest(self) -> bytes:
        whole = blake2b(digest_size=16)
        for file in self._files:
            try:
                data = file.read_bytes()
            except OSError:
                data = b"\0missing"  # between the two steps of a rename, or deleted
            whole.update(len(data).to_bytes(8, "big") + data)
        return whole.digest()
