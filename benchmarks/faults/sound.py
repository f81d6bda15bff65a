"""Faults of the sound: the microphone, the loudspeaker, the whole sound server."""

from __future__ import annotations

import time

from benchmarks.faults.bench import Bench

GONE_S = 6.0
"""Longer than it takes to notice that a device has fallen silent."""


class MicrophoneGone:
    """In the middle of a word the microphone is unplugged."""

    name = "microphone gone in mid-word"

    def breaks(self, bench: Bench) -> None:
        self._mark = bench.table.mark()
        question = bench.table.event("colour_asked")
        bench.table.wait_for(lambda row: row["type"] == "said" and row["id"] == question)
        bench.room.visitor_says("violet", wait=False)
        time.sleep(0.35)
        bench.room.microphone.unplug()
        time.sleep(GONE_S)
        bench.table.send({"v": 1, "type": "button", "button": "teal"})
        bench.table.outcome_of(question)  # the button works without any microphone

    def heals(self, bench: Bench) -> None:
        bench.room.microphone.plug()

    def holds(self, bench: Bench) -> list[str]:
        return _told_of(bench, "microphone", self._mark)


class LoudspeakerGone:
    """In the middle of a line the loudspeaker is unplugged; a line that follows is owned up to."""

    name = "loudspeaker gone in mid-line"

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._mark = table.mark()
        cut = table.event("story")
        time.sleep(1.0)
        bench.room.speaker.unplug()
        table.outcome_of(cut)
        for _ in range(3):
            table.outcome_of(table.event("hello"))
            time.sleep(GONE_S / 3)

    def heals(self, bench: Bench) -> None:
        bench.room.speaker.plug()

    def holds(self, bench: Bench) -> list[str]:
        said = [row["said"] for row in bench.table.since(self._mark) if row["type"] == "done"]
        wrong = [] if "said" not in said else [f"a line counts as said in a dead speaker: {said}"]
        return wrong + _told_of(bench, "loudspeaker", self._mark)


class SoundServerKilled:
    """The sound server crashes in the middle of a line and is started again."""

    name = "sound server killed"

    def breaks(self, bench: Bench) -> None:
        table = bench.table
        self._mark = table.mark()
        cut = table.event("story")
        time.sleep(1.0)
        bench.room.kill()
        table.outcome_of(cut)
        time.sleep(GONE_S)

    def heals(self, bench: Bench) -> None:
        bench.room.kill()
        bench.room.start()

    def holds(self, bench: Bench) -> list[str]:
        return _told_of(bench, "loudspeaker", self._mark) + _told_of(
            bench, "microphone", self._mark
        )


def _told_of(bench: Bench, device: str, mark: int) -> list[str]:
    told = [row["what"] for row in bench.table.told(mark)]
    return [] if any(device in what for what in told) else [f"nobody told of the {device}: {told}"]
