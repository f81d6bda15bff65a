"""The log: its two forms, floods, slow sinks, bounded files, and what others write into it."""

from __future__ import annotations

import json
import logging
import os
import stat
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tablevoice.errors import StoreUnwritable, TablevoiceError
from tablevoice.watching import log_sinks
from tablevoice.watching.floods import Floods
from tablevoice.watching.log_sinks import LineSink, to_file, to_standard_error
from tablevoice.watching.logs import Log, crashes_logged, everything_logged

Row = dict[str, Any]


class Written:
    """A sink in memory, and the log that writes into it."""

    def __init__(self, **log: Any) -> None:
        self.lines: list[bytes] = []
        self.sink = LineSink(self.lines.append)
        self.log = Log(self.sink, **log)

    def text(self) -> str:
        self.sink.close()
        return b"".join(self.lines).decode("utf-8")

    def rows(self) -> list[Row]:
        return [json.loads(line) for line in self.text().splitlines()]


def test_json_is_one_object_a_line_with_time_level_and_name() -> None:
    written = Written(form="json")
    written.log.out.info("event", id="e1", name="lit", slots=["arm"])
    written.log.out.warning("problem", what="Zweiter Satz,\nmit „Zeilen“.")
    first, second = written.rows()
    assert first["event"] == "event"
    assert first["level"] == "info"
    assert first["slots"] == ["arm"]
    assert first["timestamp"].endswith("Z")
    assert second["what"] == "Zweiter Satz,\\x0amit „Zeilen“."


def test_a_person_reads_one_line_a_thing() -> None:
    written = Written(form="human")
    written.log.out.warning("problem", what="no such event")
    (line,) = written.text().splitlines()
    assert "warning" in line
    assert "problem" in line
    assert "what='no such event'" in line


def test_what_is_below_the_level_is_left_out() -> None:
    written = Written(form="json", level="warning")
    written.log.out.info("event")
    written.log.out.error("crashed")
    assert [row["event"] for row in written.rows()] == ["crashed"]


@pytest.mark.parametrize("form", ["human", "json"])
def test_a_peer_cannot_write_lines_or_steer_a_terminal(form: Any) -> None:
    evil = "e1\n2031-05-04 [info] ready\x1b[2J\x1b]0;title\x07\x9b31m\r\0"
    written = Written(form=form)
    written.log.out.info("event", id=evil, more={"deep": [evil]})
    text = written.text()
    assert text.count("\n") == 1
    assert not any(mark in text for mark in ("\x1b", "\x07", "\x9b", "\r", "\0"))


def test_a_field_is_bounded() -> None:
    written = Written(form="json")
    written.log.out.info("event", id="x" * 100_000)
    assert len(written.text()) < 2_300


# --- floods ---------------------------------------------------------------------


def test_a_flood_is_cut_off_counted_and_said_and_hides_nothing_else() -> None:
    now_s = [0.0]
    written = Written(form="json", clock=lambda: now_s[0])
    for n in range(10_000):
        written.log.out.info("event", id=str(n))
    written.log.out.error("unwell", part="loudspeaker")
    written.log.catch_up()  # the flood is not over yet
    now_s[0] = 1.0
    written.log.catch_up()
    rows = written.rows()
    assert sum(row["event"] == "event" for row in rows) == 200
    assert sum(row["event"] == "unwell" for row in rows) == 1
    (over,) = (row for row in rows if row["event"] == "log_flood_over")
    assert (over["kind"], over["held_back"]) == ("event", 9_800)


def test_a_steady_pace_below_the_bound_is_never_cut() -> None:
    floods = Floods(burst=10, a_second=5)
    assert all(floods.passes("event", n * 0.2) for n in range(1_000))
    assert floods.held_back(1_000.0) == {}


def test_kinds_without_end_fill_no_memory() -> None:
    floods = Floods()
    for n in range(10_000):
        floods.passes(f"kind {n}", 0.0)
    assert sum(floods.held_back(60.0).values()) > 8_000
    assert len(floods._buckets) <= 1_001


# --- sinks ----------------------------------------------------------------------


def test_a_sink_that_takes_nothing_stops_nobody_and_what_is_lost_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(log_sinks, "MOST_WAITING", 100)
    reader, writer = os.pipe()  # nobody reads it: 64 KB fit
    sink = LineSink(to_standard_error(writer))
    began_s = time.monotonic()
    for _ in range(1_000):
        sink.put("x" * 1_000)
    assert time.monotonic() - began_s < 5.0
    assert 1_000 - 100 - 70 <= sink.lost < 1_000
    os.close(reader)  # the thread's write fails, and it goes on
    sink.close()
    os.close(writer)


def test_lost_lines_are_said_once_there_is_room() -> None:
    broken = threading.Event()
    lines: list[bytes] = []

    def write(line: bytes) -> None:
        if not broken.is_set():
            raise OSError(28, "No space left on device")
        lines.append(line)

    sink = LineSink(write)
    log = Log(sink, "json")
    log.out.info("event")
    log.out.info("event")
    _until(lambda: sink.lost == 2)
    broken.set()
    log.catch_up()
    log.catch_up()
    sink.close()
    assert [json.loads(line)["event"] for line in lines] == ["log_lines_lost"]
    assert json.loads(lines[0])["count"] == 2


def test_a_log_file_is_bounded_and_its_owners_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log_sinks, "FILE_BYTES", 10_000)
    before = os.umask(0)
    try:
        sink = LineSink(to_file(tmp_path / "logs" / "table.log"))
        for n in range(1_000):
            sink.put(f"{n:05d} " + "x" * 94)
        sink.close()
    finally:
        os.umask(before)
    files = sorted((tmp_path / "logs").iterdir())
    assert len(files) == 6
    assert all(file.stat().st_size <= 10_000 for file in files)
    assert all(stat.S_IMODE(file.stat().st_mode) == 0o600 for file in files)
    assert "00999" in (tmp_path / "logs" / "table.log").read_text("utf-8")


def test_a_log_file_that_cannot_be_written_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "logs").touch()
    with pytest.raises(StoreUnwritable, match="--log-file"):
        to_file(tmp_path / "logs" / "table.log")


def test_a_full_disk_under_a_log_file_raises_nothing_and_counts() -> None:
    sink = LineSink(to_file(Path("/dev/full")))
    sink.put("one")
    _until(lambda: sink.lost == 1)
    sink.close()


# --- what others say ------------------------------------------------------------


@pytest.fixture
def others() -> Iterator[Written]:
    written = Written(form="json")
    with everything_logged(written.log):
        yield written


def test_libraries_warnings_and_dying_threads_are_in_the_log(others: Written) -> None:
    logging.getLogger("some.library").warning("retrying in %d s", 3)
    logging.getLogger("some.library").info("chatter")
    warnings.warn("an old spelling", UserWarning, stacklevel=1)
    thread = threading.Thread(target=lambda: 1 / 0, name="worker")
    thread.start()
    thread.join()
    library, warning, died = others.rows()
    assert (library["logger"], library["message"]) == ("some.library", "retrying in 3 s")
    assert "an old spelling" in warning["message"]
    assert (died["event"], died["thread"]) == ("thread_died", "worker")
    assert "ZeroDivisionError" in died["exception"]


def test_a_crash_ends_the_program_with_its_trace_in_the_log() -> None:
    written = Written(form="json")
    with (
        pytest.raises(SystemExit) as ended,
        crashes_logged(written.log, (TablevoiceError,)),
    ):
        raise LookupError("a mistake")
    assert ended.value.code == 70
    (row,) = written.rows()
    assert row["event"] == "crashed"
    assert row["exception"].endswith("LookupError: a mistake")
    with (
        pytest.raises(TablevoiceError),
        crashes_logged(written.log, (TablevoiceError,)),
    ):
        raise TablevoiceError("meant")


def _until(fits: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 10.0
    while not fits():
        assert time.monotonic() < end_s
        time.sleep(0.01)
