"""What was learnt is written whole or not at all, and says the same afterwards."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import onnx
import pytest

from tablevoice.errors import EngineFailed, StoreUnwritable
from tablevoice.listening.fusion import Fusion
from tablevoice.listening.tuned_file import FORMAT, TunedFile
from tablevoice.tuning.training import Member, Network
from tablevoice.tuning.writing import try_place, write

COLUMNS = {"second_opinion": 11}
NOTES = {"format": FORMAT, "phrases": ["pause", "señal"], "mark": "m", "encoder": "e",
         "fusion": {"sound": 0.9, "silence": 1.5}}  # fmt: skip


def network(columns: int, seed: int, members: int = 3) -> Network:
    rng = np.random.default_rng(seed)
    parts = tuple(
        Member(
            rng.normal(size=(columns, 8)), rng.normal(size=8),
            rng.normal(size=(8, 3)), rng.normal(size=3),
        )
        for _ in range(members)
    )  # fmt: skip
    return Network(
        rng.normal(size=columns), rng.uniform(0.5, 2, columns), parts,
        rng.normal(size=(columns, 3)), 0.7, -1.3,
    )  # fmt: skip


def networks(seed: int = 1, members: int = 3) -> dict[str, Network]:
    return {name: network(columns, seed, members) for name, columns in COLUMNS.items()}


def written(path: Path) -> None:
    write(path, networks(), NOTES)


@pytest.mark.parametrize("members", [1, 3])
def test_the_file_gives_the_scores_of_what_was_learnt(tmp_path: Path, members: int) -> None:
    learnt = networks(members=members)
    write(tmp_path / "a.onnx", learnt, NOTES)
    onnx.checker.check_model(onnx.load(tmp_path / "a.onnx"), full_check=True)
    file = TunedFile(tmp_path / "a.onnx")
    assert file.notes == NOTES
    assert file.phrases == ("pause", "señal")
    rng = np.random.default_rng(9)
    rows = rng.normal(size=(200, 11)).astype(np.float32)
    expected = learnt["second_opinion"].scores(rows)
    assert file.by_sound.scores(rows) == pytest.approx(expected, rel=1e-4, abs=1e-4)
    assert file.by_sound.scores(rows[:0]).shape == (0, 3)
    assert file.fusion == Fusion(sound=0.9, silence=1.5)


def test_the_same_is_written_the_same(tmp_path: Path) -> None:
    write(tmp_path / "a.onnx", networks(), NOTES)
    write(tmp_path / "b.onnx", networks(), dict(reversed(NOTES.items())))
    assert (tmp_path / "a.onnx").read_bytes() == (tmp_path / "b.onnx").read_bytes()
    write(tmp_path / "a.onnx", networks(2), NOTES)
    assert (tmp_path / "a.onnx").read_bytes() != (tmp_path / "b.onnx").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.onnx", "b.onnx"]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_full_disk_leaves_the_old_file_whole(tmp_path: Path) -> None:
    import resource

    path = tmp_path / "a.onnx"
    write(path, networks(1), NOTES)
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000, limits[1]))
    try:
        with pytest.raises(StoreUnwritable, match="cannot be written") as caught:
            write(path, networks(2), NOTES)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert caught.value.problem.where == str(path)
    assert "Make room" in caught.value.problem.do
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["a.onnx"]


@pytest.mark.parametrize("place", ["gone/a.onnx", "file/a.onnx", "folder"])
def test_a_place_that_is_none_is_told(tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("a file", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    before = sorted(tmp_path.rglob("*"))
    for attempt in (try_place, written):
        with pytest.raises(StoreUnwritable, match="cannot be written") as caught:
            attempt(tmp_path / place)
        assert caught.value.problem.where == str(tmp_path / place)
    assert sorted(tmp_path.rglob("*")) == before


def test_trying_a_place_leaves_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "a.onnx"
    try_place(path)
    assert list(tmp_path.iterdir()) == []
    path.write_bytes(b"old")
    try_place(path)
    assert path.read_bytes() == b"old"


def test_without_the_extra_the_package_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "onnx", None)
    for attempt in (try_place, written):
        with pytest.raises(EngineFailed, match="onnx is not here") as caught:
            attempt(tmp_path / "a.onnx")
        assert "tablevoice[tune]" in caught.value.problem.do
