"""The report of ``tablevoice check`` as SARIF 2.1.0, which editors and forges show.

After the standard's text (OASIS, Static Analysis Results Interchange Format 2.1.0): findings
are results, accepted ones are suppressed in the source with their reason, and what has no
place in a file is a notification of the run. Knows no terminal and writes no file.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tablevoice import __version__
from tablevoice.commands.checking import Report
from tablevoice.phrasebook.desk.codes import RULES, Rule
from tablevoice.phrasebook.desk.notes import Note

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)


def as_sarif(report: Report, root: Path) -> dict[str, Any]:
    """A SARIF log with one run; files below ``root`` are named relative to it."""
    notes = report.notes
    used = sorted({note.code for note in notes})
    indices = {code: index for index, code in enumerate(used)}
    files = list(dict.fromkeys(note.place.file for note in notes))
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "tablevoice check",
                        "semanticVersion": __version__,
                        "rules": [_rule(RULES[code]) for code in used],
                    }
                },
                "columnKind": "unicodeCodePoints",
                "invocations": [_invocation(report)],
                "artifacts": [
                    {"location": {"uri": _uri(file, root)}, "encoding": "UTF-8"} for file in files
                ],
                "results": [_result(note, indices, files, root) for note in notes],
            }
        ],
    }


def _rule(rule: Rule) -> dict[str, Any]:
    return {
        "id": rule.code,
        "name": rule.name,
        "shortDescription": {"text": rule.about},
        "defaultConfiguration": {"level": rule.severity.value},
    }


def _invocation(report: Report) -> dict[str, Any]:
    # The tool ran, whatever it found: 3.20.14 of the standard.
    return {
        "executionSuccessful": True,
        "toolExecutionNotifications": [
            {"level": severity.value, "message": {"text": str(problem)}}
            for severity, problem in report.problems
        ],
    }


def _result(
    note: Note, indices: dict[str, int], files: Sequence[str], root: Path
) -> dict[str, Any]:
    accepted = note.accepted is not None
    return {
        "ruleId": note.code,
        "ruleIndex": indices[note.code],
        "level": note.severity.value,
        "message": {"text": f"{note.what} {note.do}".strip()},
        "locations": [
            {
                "physicalLocation": {
                    "artifactLocation": {
                        "uri": _uri(note.place.file, root),
                        "index": files.index(note.place.file),
                    },
                    "region": {"startLine": note.place.line, "startColumn": note.place.column},
                }
            }
        ],
        # One result's suppressions being told, all are (3.27.23): none is an empty list.
        "suppressions": [
            {"kind": "inSource", "status": "accepted", "justification": note.accepted}
        ] if accepted else [],
        **_fingerprint(note),
    }  # fmt: skip


def _fingerprint(note: Note) -> dict[str, Any]:
    """What tells a finding again after its line has moved; nothing where nothing does."""
    about = note.line_key or note.event or note.slot
    if about is None:
        return {}
    return {"partialFingerprints": {"codeAndSubject/v1": f"{note.code}:{about}"}}


def _uri(file: str, root: Path) -> str:
    path = Path(file).absolute()
    try:
        return quote(path.relative_to(root.absolute()).as_posix())
    except ValueError:  # somewhere else on this computer
        return path.as_uri()
