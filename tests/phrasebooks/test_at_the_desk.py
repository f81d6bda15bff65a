"""The phrasebooks that come with the package, read as ``tablevoice check --lines --strict`` does.

Lengths are measured in ``test_spoken``; here everything else has to be right or accepted.
"""

from __future__ import annotations

import pytest

from tablevoice.cell import read_cell
from tablevoice.marked_yaml import read_marked_yaml
from tablevoice.phrasebook.desk.manuscript import manuscript
from tablevoice.phrasebook.desk.reading import read
from tablevoice.phrasebook.desk.word_lists import read_word_lists
from tablevoice.shipped import shipped_folder

CELLS = sorted(
    file.name for file in shipped_folder().glob("*.yaml")
    if "phrasebooks" in read_marked_yaml(file).value
)  # fmt: skip


def test_there_are_cells() -> None:
    assert {"lantern_table.yaml", "packing_bench_cell.yaml", "korean_lamp_cell.yaml"} <= set(CELLS)


@pytest.mark.parametrize("name", CELLS)
def test_nothing_is_left_to_say(name: str) -> None:
    found = read_cell(shipped_folder() / name)
    text = manuscript(found.read)
    style = found.cell.house_style
    reading = read(text, style, read_word_lists(style.word_lists, text.language))
    assert [f"{note.place}: {note.code} {note.what}" for note in reading.open_notes] == []
    # How often each event comes is said, so that the above means something.
    assert reading.events_without_uses == ()
    assert reading.lines >= 30
