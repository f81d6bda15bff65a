"""The health document: made of facts and a verdict, written whole, read back with its age.

Knows the file and its schema. The age goes by a clock that nobody sets and that goes on while
the computer sleeps, where the system has one; a document of an earlier start of the computer is
stale whatever its time says. The watch writes it, ``tablevoice health`` reads it.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter, ValidationError

from tablevoice.errors import FileRefused, Problem
from tablevoice.watching.facts import Facts
from tablevoice.watching.health import Health, Reason, Verdict

MISSED_LOOKS = 3
"""A document older than so many looks is stale."""

SLACK_S = 2.0
"""For a slow disk and a busy computer."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a document was written: the wall clock, and the clock of this start of the computer.

    ``boot``: the number of that start, "" where the system gives none.
    """

    utc: Annotated[str, Field(description="ISO 8601.")]
    clock_s: float
    boot: str


@dataclass(frozen=True, slots=True)
class Document:
    """What stands in a health file."""

    format: Literal[1]
    table: str
    version: Annotated[str, Field(description="Version of the program.")]
    pid: int
    written: Stamp
    every_s: Annotated[float, Field(description="Seconds between two looks.")]
    running: Annotated[bool, Field(description="False once the table was closed in order.")]
    verdict: Verdict
    reasons: tuple[Reason, ...]
    facts: Facts


_SHAPE: TypeAdapter[Document] = TypeAdapter(Document)


def document(
    table: str, version: str, health: Health, facts: Facts, every_s: float, *, running: bool = True
) -> Document:
    """The document of this moment."""
    return Document(
        1, table, version, os.getpid(), stamp(), every_s, running, health.verdict, health.reasons,
        facts,
    )  # fmt: skip


def encoded(what: Document) -> bytes:
    """A document as JSON, indented, with its newline at the end."""
    return _SHAPE.dump_json(what, indent=2, round_trip=True) + b"\n"


def write(path: Path, what: Document) -> None:
    """Write it whole or not at all, readable for its owner and group. Raises OSError."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    path.parent.mkdir(parents=True, exist_ok=True)
    file = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640)
    try:
        with os.fdopen(file, "wb") as out:
            out.write(encoded(what))
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise


def read(path: Path) -> Document:
    """The document of a file. Raises FileRefused where there is none."""
    try:
        return _SHAPE.validate_json(path.read_bytes())
    except OSError as error:
        raise FileRefused([
            Problem(f"no health is told: {error.strerror}.", str(path),
                    "Is the table running, as this user or as another, and does its cell file "
                    "name this file under 'health:'?")
        ]) from error  # fmt: skip
    except ValidationError as error:
        raise FileRefused([
            Problem("this is no health file of this version.", str(path),
                    "Name the file that stands under 'health:' in the cell file.")
        ]) from error  # fmt: skip


def age_s(written: Stamp, now: Stamp) -> float | None:
    """How old a document is; ``None``: from before the computer's last start."""
    if written.boot != now.boot:
        return None
    return max(0.0, now.clock_s - written.clock_s)


def is_stale(found: Document, now: Stamp) -> bool:
    """Whether whoever wrote it must be dead or hung."""
    age = age_s(found.written, now)
    return age is None or age > MISSED_LOOKS * found.every_s + SLACK_S


def stamp() -> Stamp:
    """Now."""
    utc = datetime.now(timezone.utc).isoformat(timespec="milliseconds")
    boot = _boot()
    if boot and hasattr(time, "CLOCK_BOOTTIME"):
        return Stamp(utc, round(time.clock_gettime(time.CLOCK_BOOTTIME), 3), boot)
    return Stamp(utc, round(time.time(), 3), boot)


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:  # not Linux
        return ""


def health_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a health file and of what a broker is told."""
    schema = _SHAPE.json_schema(mode="serialization")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "tablevoice health",
    }
