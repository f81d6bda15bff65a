"""The report of ``tablevoice check`` as JSON, and the schema that documents it.

``version`` goes up when a reader of the former version could be misled; keys may be added
without that. Knows no terminal and no file.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from tablevoice import __version__
from tablevoice.commands.checking import Report
from tablevoice.phrasebook.desk.codes import RULES, Severity
from tablevoice.phrasebook.schema import DIALECT


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True)


class FoundPart(_Part):
    """A part of the table that is there."""

    part: str = Field(description="What kind of part: voice, store, recogniser, …")
    text: str = Field(description="What was found of it, for a person.")


class ProblemPart(_Part):
    """What is wrong outside of a place in a file: a missing part, or advice on one."""

    severity: Literal["error", "warning"] = Field(
        description="error: the table may not open; warning: advice."
    )
    what: str = Field(description="What is wrong.")
    where: str = Field(description="Where, in words; may be empty.")
    do: str = Field(description="What to do about it; may be empty.")


class Finding(_Part):
    """What is amiss at a place in a file."""

    code: str = Field(description="Its stable code, such as D201.")
    name: str = Field(description="Its stable name, such as NearlyTheSame.")
    severity: Literal["error", "warning", "note"] = Field(
        description="error: the table may not open; warning, note: advice."
    )
    file: str = Field(description="The file, as the cell file names it from here.")
    line: int = Field(ge=1, description="The line, from 1.")
    column: int = Field(ge=1, description="The column in characters, from 1.")
    what: str = Field(description="What is amiss.")
    do: str = Field(description="The one thing to do about it.")
    event: str | None = Field(description="The event it is about, if it is about one.")
    line_key: str | None = Field(
        description="The line's key, which stays the same while its words do."
    )
    slot: str | None = Field(description="The slot whose value it is about.")
    accepted: str | None = Field(
        description="The reason for which it was accepted; null: it is open."
    )


class Summary(_Part):
    """How much there is of what; accepted findings are counted by themselves."""

    errors: int = Field(ge=0)
    warnings: int = Field(ge=0)
    notes: int = Field(ge=0)
    accepted: int = Field(ge=0)
    lines: int | None = Field(description="Lines read; null where no phrasebook could be.")
    texts_measured: int = Field(ge=0, description="Texts whose prepared sound was measured.")
    texts_unmeasured: int = Field(
        ge=0, description="Texts of events with longest_s that are not prepared."
    )
    events_without_uses: list[str] = Field(
        description="Events of which nobody said how often they are expected in a session."
    )


class CheckReport(_Part):
    """What ``tablevoice check`` found."""

    format: Literal["tablevoice check"] = "tablevoice check"
    version: Literal[1] = Field(1, description="The version of this format.")
    tool_version: str = Field(description="The version of tablevoice that wrote this.")
    cell: str = Field(description="The cell file.")
    looked_at: Literal["table", "lines"] = Field(
        description="table: all parts were tried; lines: the lines alone."
    )
    may_open: bool | None = Field(
        description="Whether the table may open; null where its lines alone were looked at."
    )
    clean: bool = Field(description="Whether nothing is open: what --strict asks for.")
    found: list[FoundPart] = Field(description="Parts that are there.")
    problems: list[ProblemPart] = Field(description="What is wrong at no place in a file.")
    findings: list[Finding] = Field(description="What is amiss at a place in a file.")
    summary: Summary


def as_report(report: Report, cell_file: Path) -> CheckReport:
    """The report as plain values."""
    findings = [
        Finding(
            code=note.code,
            name=RULES[note.code].name,
            severity=note.severity.value,
            file=note.place.file,
            line=note.place.line,
            column=note.place.column,
            what=note.what,
            do=note.do,
            event=note.event,
            line_key=note.line_key,
            slot=note.slot,
            accepted=note.accepted,
        )
        for note in report.notes
    ]
    problems = [
        ProblemPart(
            severity="error" if severity is Severity.ERROR else "warning",
            what=one.what,
            where=one.where,
            do=one.do,
        )
        for severity, one in report.problems
    ]

    def count(severity: str) -> int:
        return sum(one.severity == severity for one in problems) + sum(
            one.severity == severity and one.accepted is None for one in findings
        )

    reading = report.reading
    return CheckReport(
        version=1,
        tool_version=__version__,
        cell=str(cell_file),
        looked_at="table" if report.whole else "lines",
        may_open=report.may_open if report.whole or report.missing else None,
        clean=report.clean,
        found=[FoundPart(part=one.part, text=one.text) for one in report.found],
        problems=problems,
        findings=findings,
        summary=Summary(
            errors=count("error"),
            warnings=count("warning"),
            notes=count("note"),
            accepted=sum(one.accepted is not None for one in findings),
            lines=None if reading is None else reading.lines,
            texts_measured=0 if reading is None else reading.texts_measured,
            texts_unmeasured=0 if reading is None else reading.texts_unmeasured,
            events_without_uses=[] if reading is None else list(reading.events_without_uses),
        ),
    )


def check_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the report."""
    schema = CheckReport.model_json_schema(mode="serialization")
    return {"$schema": DIALECT, **schema, "title": "tablevoice check"}
