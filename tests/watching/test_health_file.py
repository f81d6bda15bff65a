"""The health file: whole at every moment, as its schema says, and stale when it should be."""

from __future__ import annotations

import json
import os
import stat
import threading
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from tablevoice.errors import FileRefused
from tablevoice.watching import health_file
from tablevoice.watching.disk_watch import DiskWatch
from tablevoice.watching.health import judge
from tablevoice.watching.health_file import Document, Stamp, document, health_schema, is_stale
from tests.watching.facts import spoilt


def a_document(**facts: dict[str, object] | None) -> Document:
    found = spoilt(**facts)
    return document("lantern table", "0", judge(found), found, 5.0)


def test_what_is_written_is_read_back_and_fits_the_schema(tmp_path: Path) -> None:
    written = a_document(loudspeaker={"open": False}, guard=None)
    health_file.write(tmp_path / "health.json", written)
    assert health_file.read(tmp_path / "health.json") == written
    schema = health_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    found = json.loads((tmp_path / "health.json").read_text("utf-8"))
    jsonschema.validate(found, schema)
    assert found["verdict"] == "failing"
    assert found["reasons"][0]["part"] == "loudspeaker"
    found["verdict"] = "splendid"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, schema)


def test_a_reader_never_meets_half_a_document(tmp_path: Path) -> None:
    file = tmp_path / "health.json"
    health_file.write(file, a_document())
    done = threading.Event()

    def rewrite() -> None:
        for n in range(300):
            health_file.write(file, replace(a_document(), pid=n))
        done.set()

    writer = threading.Thread(target=rewrite)
    writer.start()
    reads = 0
    while not done.is_set():
        health_file.read(file)
        reads += 1
    writer.join()
    assert reads > 0
    assert [path.name for path in tmp_path.iterdir()] == ["health.json"]


def test_it_is_for_its_owner_and_group(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        health_file.write(tmp_path / "health.json", a_document())
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "health.json").stat().st_mode) == 0o640


def test_a_document_is_stale_after_three_missed_looks() -> None:
    found = replace(a_document(), written=Stamp("2031-05-04T12:00:00+00:00", 1000.0, "a"))
    at = found.written
    assert not is_stale(found, replace(at, clock_s=1000.0))
    assert not is_stale(found, replace(at, clock_s=1016.9))
    assert is_stale(found, replace(at, clock_s=1017.1))


def test_a_clock_that_was_set_changes_no_age_and_a_restart_of_the_computer_does() -> None:
    found = replace(a_document(), written=Stamp("2031-05-04T12:00:00+00:00", 1000.0, "a"))
    jumped = Stamp("2001-01-01T00:00:00+00:00", 1003.0, "a")
    assert not is_stale(found, jumped)
    assert is_stale(found, Stamp("2031-05-04T12:00:01+00:00", 1.0, "b"))


@pytest.mark.parametrize("text", ["", "{}", "[1]", "\x00", '{"format": 2}'])
def test_another_file_is_refused_in_one_sentence(tmp_path: Path, text: str) -> None:
    (tmp_path / "health.json").write_text(text, encoding="utf-8")
    with pytest.raises(FileRefused, match="no health file of this version"):
        health_file.read(tmp_path / "health.json")


def test_a_folder_that_cannot_be_written_is_one_problem_and_mends_itself(tmp_path: Path) -> None:
    (tmp_path / "there").touch()  # a file where the folder should be
    watch = DiskWatch(tmp_path / "there" / "health.json", tmp_path / "history.sqlite")
    watch.put(a_document())
    watch.close()
    assert watch.problem is not None
    assert "cannot be written" in watch.problem.what
    (tmp_path / "there").unlink()
    watch = DiskWatch(tmp_path / "there" / "health.json", tmp_path / "history.sqlite")
    watch.put(a_document())
    watch.close()
    assert watch.problem is None
    assert watch.free_mb is not None
    assert watch.free_mb > 0
    assert health_file.read(tmp_path / "there" / "health.json").table == "lantern table"
