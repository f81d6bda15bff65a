"""What ``tablevoice check`` says of the tuned file, beside what ``tests/test_cli.py`` looks at."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.cell import load_cell
from tablevoice.commands.checking import Report, look_over
from tests.tuned_cell import copied, tablevoice, write_cell


def told(report: Report) -> list[str]:
    return [found.text for found in report.found if found.part == "tuned file"]


def test_no_tuned_file_is_said_with_how_to_get_one(tmp_path: Path) -> None:
    cell_file = write_cell(tmp_path)
    printed = tablevoice("check", cell_file).stdout
    (line,) = [line for line in printed.splitlines() if "tuned file" in line]
    assert "none: the grammar listens alone" in line
    assert f"tablevoice tune {cell_file}" in line
    assert "advice: " not in line


def test_a_tuned_file_that_fits_is_among_what_was_found(tuned: Path) -> None:
    report = look_over(load_cell(tuned))
    (text,) = told(report)
    assert str(tuned.with_suffix(".tuned.onnx")) in text
    assert "6 phrases" in text
    assert not any("tune" in str(problem) for problem in report.advice + report.missing)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("teal: [teal]", "amber: [amber]", "other phrases (new: amber; gone: teal)"),
        ("Z AE F ER", "Z AA F ER", "their pronunciations have changed"),
    ],
)
def test_one_that_is_out_of_date_is_a_finding(
    tuned: Path, tmp_path: Path, old: str, new: str, why: str
) -> None:
    cell_file = copied(tuned, tmp_path)
    book = tmp_path / "book.yaml"
    book.write_text(book.read_text("utf-8").replace(old, new), encoding="utf-8")
    report = look_over(load_cell(cell_file))
    (problem,) = [problem for problem in report.advice if ".tuned.onnx" in problem.where]
    assert why in problem.what
    assert "tablevoice tune" in problem.do
    assert told(report) == []
    assert not [problem for problem in report.missing if "tuned" in str(problem)]
    line = next(
        line for line in tablevoice("check", cell_file).stdout.splitlines() if why in line
    )
    assert line.startswith("advice: ")


def test_one_that_is_named_and_not_there_is_a_finding(tmp_path: Path) -> None:
    cell_file = write_cell(tmp_path)
    named = cell_file.read_text("utf-8") + "listening: {tuned: gone.onnx}\n"
    cell_file.write_text(named, encoding="utf-8")
    report = look_over(load_cell(cell_file))
    (problem,) = [problem for problem in report.advice if "gone.onnx" in problem.where]
    assert "cannot be read" in problem.what
    assert told(report) == []
