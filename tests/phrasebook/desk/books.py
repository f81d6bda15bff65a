"""Small phrasebooks for the desk's tests, written as files and read as the product reads them."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import yaml

from tablevoice.phrasebook.desk.manuscript import Manuscript, manuscript
from tablevoice.phrasebook.desk.notes import Note
from tablevoice.phrasebook.loading import read_phrasebook

SLOTS: Mapping[str, object] = {
    "arm": ["Alder", "Briar"],
    "lights": [0, 1, 2, 5, 8, 11],
    "colour": ["amber", "teal", "hour blue", "unicorn white"],
}


def book(
    events: Mapping[str, Any],
    *,
    slots: Mapping[str, object] = SLOTS,
    language: str = "en",
    **more: Any,
) -> Manuscript:
    """The manuscript of a phrasebook with these events; a list is an event's lines."""
    whole = {
        "format": 1,
        "title": "Test",
        "language": language,
        "slots": dict(slots),
        "events": {
            name: event if isinstance(event, dict) else {"slots": list(slots), "lines": event}
            for name, event in events.items()
        },
        **more,
    }
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "book.yaml"
        file.write_text(yaml.safe_dump(whole, allow_unicode=True, sort_keys=False), "utf-8")
        return manuscript(read_phrasebook(file))


def codes(notes: Iterable[Note]) -> list[str]:
    return [note.code for note in notes]
