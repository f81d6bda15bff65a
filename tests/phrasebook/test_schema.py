"""The exported JSON Schema, held against good and bad files by the ``jsonschema`` library."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tablevoice.cell import cell_schema
from tablevoice.marked_yaml import parse_marked_yaml, read_marked_yaml
from tablevoice.phrasebook import phrasebook_schema
from tablevoice.shipped import shipped_folder

KITES = Path(__file__).with_name("kite_stand.yaml")
TEXT = KITES.read_text(encoding="utf-8")
VALIDATOR = Draft202012Validator(phrasebook_schema())


def test_both_schemas_are_valid_schemas() -> None:
    for schema in (phrasebook_schema(), cell_schema()):
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        Draft202012Validator.check_schema(schema)


def test_good_files_pass() -> None:
    assert list(VALIDATOR.iter_errors(read_marked_yaml(KITES).value)) == []
    cells = Draft202012Validator(cell_schema())
    files = sorted(shipped_folder().glob("*.yaml"))
    assert files
    for file in files:
        value = read_marked_yaml(file).value
        validator = cells if "phrasebooks" in value else VALIDATOR
        assert list(validator.iter_errors(value)) == [], file


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format: 1", "format: 2"),
        ("title: Kite stand\n", ""),
        ("priority: question", "priority: questoin"),
        ("fresh_for_s: 5", "fresh_fro_s: 5"),
        ("fresh_for_s: 8", "fresh_for_s: 0"),
        ("interruptible: true", "interruptible: yes"),
        ("weight: 0.5", "weight: -1"),
        ("when: {kites: 0}", "when: {kites: {atleast: 2}}"),
        ("when: {kites: 0}", "when: {kites: [1.5]}"),
        ("note: any", "note: some"),
        ("  never_mind: {phrases: [never mind]}", "  nevermind: {phrases: [never mind]}"),
        ("  greeting:", "  2 kites:"),
        ("Welcome to the kite stand.", "''"),
        ("zaffre: [zaffre]", "zaffre: []"),
    ],
)
def test_bad_files_fail(old: str, new: str) -> None:
    assert old in TEXT
    value = parse_marked_yaml(TEXT.replace(old, new, 1).encode(), "a.yaml").value
    assert list(VALIDATOR.iter_errors(value))


def keys_of(schema: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    for definition in [schema, *schema["$defs"].values()]:
        yield from definition.get("properties", {}).items()


def test_every_key_is_described_and_the_examples_are_right() -> None:
    schema = phrasebook_schema()
    checked = 0
    for name, key in keys_of(schema):
        assert key.get("description"), name
        for example in key.get("examples", ()):
            validator = Draft202012Validator({**key, "$defs": schema["$defs"]})
            assert list(validator.iter_errors(example)) == [], (name, example)
            checked += 1
    assert checked >= 15
