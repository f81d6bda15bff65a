"""A tuned file that does not fit is one clear error; a live table goes on by its grammar."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import pytest

from tablevoice.assembly import Assembly
from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused, RecogniserUnavailable
from tablevoice.listening.second_opinion import SecondOpinion
from tablevoice.listening.tuned_file import (
    NOTES,
    TunedFile,
    phrases_mark,
    softmax,
    tuned_path,
)
from tests.tuned_cell import PHRASES, copied, tablevoice, write_cell

SOUNDS = {"Zaffre": ("Z AE F ER",)}


def noted(path: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Other notes in a file that is otherwise whole."""
    model = onnx.load(path)
    notes = json.loads(next(prop.value for prop in model.metadata_props if prop.key == NOTES))
    changed = change(notes)
    onnx.helper.set_model_props(model, {NOTES: json.dumps(notes if changed is None else changed)})
    onnx.save(model, path)


def without(key: str) -> Callable[[Path], None]:
    def spoil(path: Path) -> None:
        noted(path, lambda notes: {name: notes[name] for name in notes if name != key})

    return spoil


def made_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def without_notes(path: Path) -> None:
    model = onnx.load(path)
    del model.metadata_props[:]
    onnx.save(model, path)


def without_a_score(path: Path) -> None:
    """A whole network with our notes that does not give what we ask for."""
    model = onnx.load(path)
    for output in model.graph.output:
        for node in model.graph.node:
            node.output[:] = [f"{n}_" if n == output.name else n for n in node.output]
        output.name += "_"
    onnx.save(model, path)


def flipped(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[5:60] = bytes(55)
    path.write_bytes(raw)


SPOILT: dict[str, tuple[Callable[[Path], object], str]] = {
    "empty": (lambda path: path.write_bytes(b""), "damaged"),
    "cut off": (lambda path: path.write_bytes(path.read_bytes()[:-500]), "damaged"),
    "only begun": (lambda path: path.write_bytes(path.read_bytes()[:200]), "damaged"),
    "text": (lambda path: path.write_text("not a network"), "damaged"),
    "bytes changed": (flipped, "damaged"),
    "no notes": (without_notes, "damaged"),
    "a score missing": (without_a_score, "damaged"),
    "notes of another kind": (lambda path: noted(path, lambda notes: [1, 2]), "damaged"),
    **{f"no {key}": (without(key), "damaged") for key in ("phrases", "mark", "fusion", "format")},
    "no encoder named": (without("encoder"), "another encoder"),
    "a weight of another kind": (
        lambda path: noted(path, lambda notes: notes.update(fusion={"sound": "much"})), "damaged"),
    "a weight too many": (
        lambda path: noted(path, lambda notes: notes.update(fusion={"smell": 1.0})), "damaged"),
    "fewer phrases": (
        lambda path: noted(path, lambda notes: notes["phrases"].pop() and None), "damaged"),
    "another format": (
        lambda path: noted(path, lambda notes: notes.update(format=99)), "format is 99, not 1"),
    "another encoder": (
        lambda path: noted(path, lambda notes: notes.update(encoder="0" * 16)), "another encoder"),
    "a folder": (made_a_folder, "cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize("how", list(SPOILT))
def test_a_spoilt_file_is_refused_and_the_table_lives_on(
    tuned: Path, tmp_path: Path, how: str
) -> None:
    cell_file = copied(tuned, tmp_path)
    path = tuned_path(cell_file)
    spoil, told = SPOILT[how]
    spoil(path)
    with pytest.raises(FileRefused, match=told) as caught:
        SecondOpinion(path, PHRASES, SOUNDS)
    (problem,) = caught.value.problems
    assert problem.where == str(path)
    assert "tablevoice tune" in problem.do
    with Assembly(load_cell(cell_file), remember=False) as parts:
        assert parts.open_second_opinion() is None
        assert [str(problem) for problem in parts.problems] == [str(caught.value)]
        with pytest.raises(FileRefused, match=told):
            parts.open_second_opinion("second_opinion")


@pytest.fixture
def good(tuned: Path) -> TunedFile:
    return TunedFile(tuned_path(tuned))


@pytest.mark.parametrize(
    ("phrases", "sounds", "told"),
    [
        ((*PHRASES, "violet", "amber"), SOUNDS, r"other phrases \(new: amber, violet\)"),
        (PHRASES[1:], SOUNDS, r"other phrases \(gone: hold on\)"),
        (("stop", *PHRASES[1:]), SOUNDS, r"\(new: stop; gone: hold on\)"),
        (PHRASES, {"Zaffre": ("Z AA F ER",)}, "pronunciations have changed"),
        (PHRASES, {}, "pronunciations have changed"),
    ],
)
def test_what_has_changed_since_is_said(
    good: TunedFile, phrases: tuple[str, ...], sounds: dict[str, tuple[str, ...]], told: str
) -> None:
    with pytest.raises(FileRefused, match=told) as caught:
        good.check(phrases, sounds)
    assert len(caught.value.problems) == 1


def test_order_and_spelling_change_nothing(good: TunedFile) -> None:
    good.check([f"{phrase.title()}!" for phrase in reversed(PHRASES)], SOUNDS)
    assert phrases_mark(["a b", "c"], {}) != phrases_mark(["a", "b c"], {})


def test_a_row_has_one_score_each_and_rows_do_not_mix(good: TunedFile) -> None:
    count = len(PHRASES)
    rows = np.random.default_rng(3).normal(size=(5, 2 * count + 7)).astype(np.float32)
    together = good.by_sound.scores(rows)
    assert together.shape == (5, 1 + count)
    for index in range(5):
        alone = good.by_sound.scores(rows[index : index + 1])[0]
        assert alone == pytest.approx(together[index], rel=1e-4, abs=1e-4)


def test_softmax_is_that_of_the_book_and_does_not_overflow() -> None:
    scores = np.array([[0.0, np.log(3.0)], [1e4, -1e4], [-1e5, -1e5]])
    expected = np.array([[0.25, 0.75], [1.0, 0.0], [0.5, 0.5]])
    assert softmax(scores) == pytest.approx(expected)


def test_no_file_is_no_problem_unless_it_is_asked_for(tmp_path: Path) -> None:
    cell_file = write_cell(tmp_path)
    with Assembly(load_cell(cell_file), remember=False) as parts:
        assert parts.open_second_opinion() is None
        assert parts.problems == []
        with pytest.raises(RecogniserUnavailable, match="no tuned file") as caught:
            parts.open_ear(opinions="second_opinion")
        assert "tablevoice tune" in caught.value.problem.do
    named = cell_file.read_text("utf-8") + "listening: {tuned: elsewhere.onnx}\n"
    cell_file.write_text(named, encoding="utf-8")
    with Assembly(load_cell(cell_file), remember=False) as parts:
        assert parts.open_second_opinion() is None
        (problem,) = parts.problems
        assert problem.where == str(tmp_path / "elsewhere.onnx")


def test_a_named_file_is_read_where_it_lies(tuned: Path, tmp_path: Path) -> None:
    cell_file = copied(tuned, tmp_path)
    elsewhere = tmp_path / "models" / "mine.onnx"
    elsewhere.parent.mkdir()
    tuned_path(cell_file).replace(elsewhere)
    named = cell_file.read_text("utf-8") + "listening: {tuned: models/mine.onnx}\n"
    cell_file.write_text(named, encoding="utf-8")
    with Assembly(load_cell(cell_file), remember=False) as parts:
        opened = parts.open_second_opinion()
        assert opened is not None
        assert opened.path == elsewhere


def test_a_measurement_of_it_without_it_is_refused(tmp_path: Path) -> None:
    cell_file = write_cell(tmp_path)
    clip = Path(__file__).parents[2] / "audio_fixtures" / "visitor_teal.flac"
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(
        f"path,expected,speaker,condition\n{clip},teal,visitor,quiet\n", encoding="utf-8"
    )
    result = tablevoice("evaluate", manifest, "--cell", cell_file, "--out", tmp_path / "report",
                        "--compare", "second_opinion", "--workers", 1)  # fmt: skip
    assert result.exit_code == 1, result.output
    assert "no tuned file" in " ".join(result.stderr.split())
    assert "Traceback" not in result.output
