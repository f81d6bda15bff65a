"""What becomes of messages that nobody reads for a while, over a real pipe."""

from __future__ import annotations

import json
import os
import time

from tablevoice.links.messages import Pong
from tablevoice.links.standard_streams import MOST_UNREAD, Writer

TOO_MANY = 5_000


def test_a_reader_that_comes_back_is_told_how_many_messages_it_missed() -> None:
    ours, theirs = os.pipe()
    with os.fdopen(theirs, "wb") as sink, os.fdopen(ours, "rb") as source:
        writer = Writer(sink)
        for number in range(MOST_UNREAD + TOO_MANY):
            writer.put(Pong(at_s=float(number), id=str(number)))
        until_s = time.monotonic() + 10.0
        while writer.lost < 1 and time.monotonic() < until_s:
            time.sleep(0.01)
        lost = writer.lost
        assert 0 < lost <= TOO_MANY
        rows: list[dict[str, object]] = []
        while not rows or rows[-1].get("id") != str(MOST_UNREAD + TOO_MANY - 1):
            rows.append(json.loads(source.readline()))
        writer.close()
    told = [row for row in rows if row["type"] == "error"]
    assert sum(int(str(row["what"]).split(maxsplit=1)[0]) for row in told) == lost
    assert all("nobody read them" in str(row["what"]) and row["do"] for row in told)
    assert len(rows) == MOST_UNREAD + TOO_MANY - lost + len(told)
    numbers = [int(str(row["id"])) for row in rows if row["type"] == "pong"]
    assert numbers == sorted(numbers)  # the oldest went
