"""``tablevoice map`` as a person meets it, from a cell without a link to a sheet and a program."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from tablevoice.cell import load_cell
from tablevoice.cli import app
from tests.links.structured_text import Text

ROOT = Path(__file__).parents[2]
PACKING = ROOT / "phrasebooks" / "packing_bench_cell.yaml"


def show_map(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["map", *map(str, arguments)], env={"COLUMNS": "120"})


@pytest.fixture(scope="module")
def cell(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The packing bench's cell with the link that was proposed for it."""
    folder = tmp_path_factory.mktemp("packing")
    book = PACKING.with_name("packing_bench.yaml")
    (folder / book.name).write_bytes(book.read_bytes())
    proposed = show_map(PACKING, "--suggest")
    assert proposed.exit_code == 0
    path = folder / "cell.yaml"
    path.write_text(PACKING.read_text("utf-8") + "\n" + proposed.stdout, encoding="utf-8")
    return path


def test_a_cell_without_a_link_says_how_to_begin() -> None:
    refused = show_map(PACKING)
    assert refused.exit_code == 1
    assert "--suggest" in refused.stderr


def test_what_is_proposed_can_be_used_as_it_is(cell: Path) -> None:
    entry = load_cell(cell).links.modbus
    assert entry is not None
    assert len(entry.numbers.events) > 15
    assert list(entry.numbers.answers.values()) == [1, 2, 3, 4, 5]
    again = show_map(cell, "--suggest")
    assert "# new" not in again.stdout
    assert again.stdout.splitlines()[-1].strip() == "'no': 5"


def test_after_an_edit_it_proposes_numbers_for_what_is_new_alone(
    cell: Path, tmp_path: Path
) -> None:
    book = cell.with_name("packing_bench.yaml").read_text("utf-8")
    edited = book.replace("events:\n", "events:\n  lamp_lit: {about: New., lines: [Lit.]}\n", 1)
    edited = edited.replace("the manual]", "the manual, the spoon]")
    (tmp_path / "packing_bench.yaml").write_text(edited, encoding="utf-8")
    (tmp_path / "cell.yaml").write_bytes(cell.read_bytes())
    refused = show_map(tmp_path / "cell.yaml")
    assert refused.exit_code == 1
    assert "'the spoon', which has no number" in refused.stderr
    proposed = show_map(tmp_path / "cell.yaml", "--suggest").stdout
    new = [line.strip() for line in proposed.splitlines() if line.endswith("# new")]
    assert new == ["lamp_lit: 24  # new", "the spoon: 7  # new"]


def test_the_sheet_begins_with_what_it_is_not(cell: Path) -> None:
    shown = show_map(cell)
    assert shown.exit_code == 0
    text = shown.stdout
    assert text.index("NOT a safety function") < text.index("Registers that the controller writes")
    assert "127.0.0.1 port 1502" in text
    assert "40117" in text
    assert "Without a number, so not to be reported" in text


def test_every_form_has_the_same_addresses(cell: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(show_map(cell, "--format", "csv").stdout)))
    assert rows[0]["kind"] == "caution"
    registers = {row["name"]: row for row in rows if row["kind"] in ("command", "status")}
    constants = Text(show_map(cell, "--format", "st").stdout, lambda: 0.0).constants
    second = constants["TV_CHANNELS_C"] + constants["TV_CHANNEL_C"]
    assert int(registers["CHANNEL 2 EVENT"]["number"]) == second + constants["TV_CH_EVENT"]
    second = 100 + constants["TV_CHANNELS_S"] + constants["TV_CHANNEL_S"]
    assert int(registers["CHANNEL 2 ANSWER"]["number"]) == second + constants["TV_CS_ANSWER"]
    numbers = {row["name"]: int(row["number"]) for row in rows if row["kind"] == "event"}
    assert constants["TV_EV_BOX_SIZE_ASKED"] == numbers["box_size_asked"]
    markdown = show_map(cell, "--format", "markdown").stdout
    for row in registers.values():
        assert f"| {row['number']} | {row['reference']} | {row['name']} | {row['meaning']} |" \
            in markdown
