"""The bench on which faults are tried: a cell's folder, its sound, the table that runs.

Knows how to see that all is well: a line sounds, a spoken word is heard and answered.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchmarks.faults.room import SoundRoom
from benchmarks.faults.running import NeverCame, RunningTable

CELL = """\
format: 1
table: bench of faults
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3, rate_wpm: 170, pitch: 40}
loudspeaker: {device: loudspeaker, latency: high}
microphone: {device: microphone, latency: high}
store: {folder: store, max_mb: 50}
history: {file: history/history.sqlite}
record: records
"""

BOOK = """\
format: 1
title: Bench of faults
language: en
slots:
  answer: [teal, violet]
  note: any
events:
  hello:
    about: Small talk.
    fresh_for_s: 8
    lines:
      - Alder is here.
      - Good day to you.
      - The lamps are warm.
      - Another fine string.
      - Mind the third hook.
      - It hangs quite well.
      - What a row of lights.
      - Paper and a candle.
      - Slow and steady now.
      - The wind is asleep.
      - One for the corner.
      - Twine is for patience.
  story:
    about: Long enough to be broken in the middle.
    priority: move
    fresh_for_s: 10
    lines:
      - Once there was a table that hung up lanterns from noon until the very last of them.
      - Far away a lamp was waiting for somebody to come along and carry it home at night.
  remark: {about: Rendered as it comes., slots: [note], priority: move, fresh_for_s: 6,
    lines: ["{note}, said the lantern."]}
  caution: {about: A warning., priority: warning, fresh_for_s: 8,
    lines: [Hands off the table., Please stand back.]}
  colour_asked: {about: Asks., priority: question, asks: colour, fresh_for_s: 10,
    lines: [Which one is it?, What colour now?]}
  again: {about: Asks again., priority: question, lines: [Once more for me.]}
  confirm: {about: Confirms., slots: [answer], priority: question, lines: ["Was it {answer}?"]}
  button: {about: Falls back., priority: question, lines: [Press a key.]}
  holding: {about: Held., priority: warning, lines: [Asked to wait.]}
questions:
  colour:
    answers: {teal: [teal], violet: [violet]}
    wait_s: 4
    tries: 3
    button_wait_s: 60
    ask_again: again
    waited: again
    confirm: confirm
    give_up: button
standing:
  pause: {phrases: [pause], says: holding}
  stop: {phrases: [stop], says: holding}
"""

TRIES = 3
"""A word may be misheard in any room: so often is it tried before hearing counts as broken."""


class Bench:
    """One cell in ``folder`` and the table that runs on it. ``more``: more of the cell file."""

    def __init__(
        self,
        folder: Path,
        room: SoundRoom,
        *,
        more: str = "",
        environment: Mapping[str, str] | None = None,
        program: Sequence[str] = ("-m", "tablevoice"),
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.room = room
        self.cell = folder / "cell.yaml"
        self._more_environment = dict(environment or {})
        self._program = tuple(program)
        (folder / "book.yaml").write_text(BOOK, encoding="utf-8")
        self.cell.write_text(CELL + more, encoding="utf-8")
        self._table: RunningTable | None = None

    @property
    def history(self) -> Path:
        return self.folder / "history" / "history.sqlite"

    @property
    def table(self) -> RunningTable:
        """The table that runs, started if none does."""
        if self._table is None:
            self.start()
        assert self._table is not None
        return self._table

    @property
    def current(self) -> RunningTable | None:
        """The table that was started last, unless it was let go."""
        return self._table

    def start(self) -> RunningTable:
        """Start the table and wait until it takes events."""
        assert self._table is None, "one table at a time"
        self._table = RunningTable(
            self.cell, {**self.room.environment, **self._more_environment}, program=self._program
        )
        self._table.wait_ready()
        return self._table

    def let_go(self) -> None:
        """Forget the table that ended; the next look at ``table`` starts another."""
        self._table = None

    def restart(self) -> RunningTable:
        """Pull the plug of the table that runs, if it still does, and start another one."""
        self.close()
        return self.start()

    def close(self) -> None:
        if self._table is not None:
            self._table.kill()
            self._table = None

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- is all well? -----------------------------------------------------------------

    def until_well(self, within_s: float = 40.0) -> float:
        """Wait until lines sound and words are heard again; how long that took.

        Raises NeverCame when they don't.
        """
        began_s = time.monotonic()
        until_s = began_s + within_s
        while not self._line_sounds():
            if time.monotonic() > until_s:
                raise NeverCame(f"no line sounds again; {self.table.rows[-3:]}")
        while not self._word_is_heard():
            if time.monotonic() > until_s + within_s:
                raise NeverCame(f"no word is heard again; {self.table.rows[-6:]}")
        return time.monotonic() - began_s

    def _line_sounds(self) -> bool:
        with self.room.listen() as recording:
            outcome = self.table.outcome_of(self.table.event("hello"))
        return outcome.get("said") == "said" and recording.sounded

    def _word_is_heard(self) -> bool:
        table = self.table
        mark = table.mark()
        question = table.event("colour_asked")
        for _ in range(TRIES):
            with contextlib.suppress(NeverCame):
                table.wait_for(
                    lambda row: row["type"] == "said" and row["id"] == question, mark, 12.0
                )
            mark = table.mark()
            self.room.visitor_says("violet")
            with contextlib.suppress(NeverCame):
                row = table.wait_for(
                    lambda row: row["type"] in ("answer", "error") and row.get("id") == question,
                    0, 4.0,
                )  # fmt: skip
                return row.get("value") == "violet" and row["how"] in ("voice", "confirmed")
        table.send({"v": 1, "type": "button", "button": "violet"})
        table.outcome_of(question)
        return False


