"""Prints the register map of a cell: as text, Markdown, CSV or structured text; proposes numbers.

Knows files and forms; what stands in the map is ``links.modbus_sheet``'s affair. Called by
``tablevoice map``.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from pathlib import Path

import yaml
from rich.console import Console
from rich.table import Table

from tablevoice.cell import Cell, read_cell
from tablevoice.errors import TablevoiceError
from tablevoice.links import modbus_sheet
from tablevoice.links.modbus_map import RegisterMap
from tablevoice.links.modbus_numbers import suggested
from tablevoice.links.modbus_settings import NumbersEntry
from tablevoice.links.modbus_sheet import CAUTIONS, HANDSHAKE, Section
from tablevoice.links.modbus_structured_text import structured_text

CSV_COLUMNS = ("kind", "number", "reference", "name", "meaning")


def map_of(cell: Cell) -> RegisterMap:
    """The map of a checked cell. Raises TablevoiceError where it has no Modbus link."""
    if cell.links.modbus is None:
        raise TablevoiceError(
            "the cell file has no Modbus link.", where=str(cell.path),
            do="`tablevoice map CELL.YAML --suggest` prints one to begin with.",
        )  # fmt: skip
    return RegisterMap(cell.links.modbus, cell.phrasebook)


# --- forms ------------------------------------------------------------------------------


def show(cell: Cell, console: Console) -> None:
    """For a person at a terminal."""
    register_map = map_of(cell)
    for line in modbus_sheet.head(register_map, cell.table):
        console.print(line, markup=False)
    console.print()
    for caution in CAUTIONS:
        console.print(f"CAUTION: {caution}", style="yellow", markup=False)
    for section in modbus_sheet.sections(register_map):
        if not section.rows:
            continue
        console.print()
        console.print(section.title, style="bold", markup=False)
        console.print(_table(section))
    console.print()
    console.print("The hand-shake", style="bold")
    for number, rule in enumerate(HANDSHAKE, start=1):
        console.print(f"{number}. {rule}", markup=False)
    missing = modbus_sheet.not_numbered(register_map)
    if missing:
        console.print()
        console.print(f"Without a number, so not to be reported by this controller: "
                      f"{', '.join(missing)}.", markup=False)


def _table(section: Section) -> Table:
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="dim")
    referred = any(reference for _, reference, _, _ in section.rows)
    table.add_column(section.key, justify="right", no_wrap=True)
    if referred:
        table.add_column("reference", justify="right", no_wrap=True)
    table.add_column("name", min_width=12)
    told = any(meaning for *_, meaning in section.rows)
    if told:
        table.add_column("meaning")
    for key, reference, name, meaning in section.rows:
        table.add_row(key, *([reference] if referred else []), _plain(name),
                      *([_plain(meaning)] if told else []))
    return table


def _plain(text: str) -> str:
    return text.replace("[", r"\[")


def as_markdown(cell: Cell) -> str:
    """For a document."""
    return "\n".join(_markdown(cell)) + "\n"


def _markdown(cell: Cell) -> Iterator[str]:
    register_map = map_of(cell)
    title, *how = modbus_sheet.head(register_map, cell.table)
    yield f"# {title}\n"
    yield "\n\n".join(how) + "\n"
    yield "\n".join(f"- **CAUTION:** {caution}" for caution in CAUTIONS)
    for section in modbus_sheet.sections(register_map):
        if section.rows:
            yield f"\n## {section.title}\n"
            yield f"| {section.key} | reference | name | meaning |\n|---:|---:|---|---|"
            yield from (f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |"
                        for row in section.rows)
    yield "\n## The hand-shake\n"
    yield from (f"{number}. {rule}" for number, rule in enumerate(HANDSHAKE, start=1))


def as_csv(cell: Cell) -> str:
    """For a program or a spreadsheet: one row for each caution and each number."""
    register_map = map_of(cell)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for caution in CAUTIONS:
        writer.writerow(("caution", "", "", "", caution))
    for line in modbus_sheet.head(register_map, cell.table):
        writer.writerow(("connection", "", "", "", line))
    for section in modbus_sheet.sections(register_map):
        writer.writerows((section.kind, *row) for row in section.rows)
    for number, rule in enumerate(HANDSHAKE, start=1):
        writer.writerow(("handshake", number, "", "", rule))
    return text.getvalue()


def as_structured_text(cell: Cell) -> str:
    """The controller's side, IEC 61131-3."""
    return structured_text(map_of(cell), cell.table)


# --- proposals --------------------------------------------------------------------------


def proposal(cell_file: Path) -> str:
    """What may stand under ``links:``, with a number for everything; changes no file.

    Works before the numbers fit the phrasebooks. Raises FileRefused.
    """
    cell = read_cell(cell_file, numbered=False).cell
    entry = cell.links.modbus
    before = NumbersEntry() if entry is None else entry.numbers
    numbers = suggested(before, cell.phrasebook, guarded=cell.guard is not None)
    kept = {} if entry is None else entry.model_dump(exclude_unset=True, exclude={"numbers"})
    settings = kept or {"role": "server", "host": "127.0.0.1", "port": 1502}
    lines = ["links:", "  modbus:"]
    lines += [f"    {_scalar(name)}: {_scalar(value)}" for name, value in settings.items()]
    lines += ["    # A number belongs to its name for ever: give new names new numbers, and leave",
              "    # those of names that are gone unused.", "    numbers:", "      events:"]
    lines += _numbered(numbers.events, before.events, 8)
    if numbers.slots:
        lines.append("      slots:")
    for name, slot in numbers.slots.items():
        lines += [f"        {_scalar(name)}:", f"          place: {slot.place}"]
        if slot.values:
            had = before.slots[name].values if name in before.slots else {}
            lines += ["          values:", *_numbered(slot.values, had, 12)]
    if numbers.answers:
        lines += ["      answers:", *_numbered(numbers.answers, before.answers, 8)]
    return "\n".join(lines) + "\n"


def _numbered(
    numbers: Mapping[str | int, int] | Mapping[str, int],
    before: Mapping[str | int, int] | Mapping[str, int],
    indent: int,
) -> list[str]:
    had = {str(name) for name in before}
    return [
        f"{' ' * indent}{_scalar(name)}: {number}"
        + ("  # new" if had and str(name) not in had else "")
        for name, number in numbers.items()
    ]  # fmt: skip


def _scalar(value: object) -> str:
    """One value as YAML, on one line."""
    text: str = yaml.safe_dump(value, default_flow_style=True, allow_unicode=True, width=10_000)
    return text.removesuffix("\n").removesuffix("\n...").strip()
