"""The thread that writes a session down: in order, and never too busy to say what is written."""

from __future__ import annotations

import asyncio
import threading

from tablevoice.errors import Problem
from tablevoice.record_thread import RecordThread
from tablevoice.session_records import Record


def test_what_was_given_counts_as_written_though_ever_more_comes() -> None:
    async def scene() -> list[int]:
        problems: list[Problem] = []
        thread = RecordThread(problems.append)
        await thread.run(lambda: None)
        thread.use(Record(None, None))
        enough, seen = threading.Event(), list[int]()

        def one_more(number: int) -> None:
            def write(_: Record) -> None:
                seen.append(number)
                if not enough.is_set():
                    one_more(number + 1)

            thread.keep(write)

        one_more(0)
        first = thread.written
        assert first is not None
        try:
            await asyncio.wait_for(asyncio.wrap_future(first), 20)
        finally:
            enough.set()
        await thread.run(lambda: None)
        await asyncio.to_thread(thread.close)
        assert not problems
        return seen

    seen = asyncio.run(scene())
    assert seen == list(range(len(seen)))
    assert len(seen) >= 1
