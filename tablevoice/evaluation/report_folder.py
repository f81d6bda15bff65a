"""Writes a report: results.json, outcomes.csv, report.html.

Knows files and the shape of results.json (version 1, see ``RESULTS.md``); counts nothing.
Every file appears under its name only when it is complete.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, is_dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter

from tablevoice.errors import StoreUnwritable
from tablevoice.evaluation.instrument import Evaluation
from tablevoice.evaluation.results import FORMAT, VERSION, SetupResults, noise_of, snr_of
from tablevoice.evaluation.stimulus import LEAD_S, TAIL_S

RESULTS_FILE, OUTCOMES_FILE, PAGE_FILE = "results.json", "outcomes.csv", "report.html"

DEFINITIONS: Mapping[str, str] = {
    "interval": "95 %: Wilson's for shares; exact Poisson for rates, one-sided where nothing"
    " happened",
    "level": "speech level over the active part in the manner of ITU-T P.56, method B; noise as"
    " RMS over the whole clip with lead-in and tail",
    "lead_in": f"{LEAD_S:g} s before and {TAIL_S:g} s after each recording: noise like its"
    " quietest tenth, and the noise mixed in",
    "word_end": "as written in the file of words, else the end of the P.56 activity: the last"
    " 10 ms above the active level less 15.9 dB, of the recording before noise is mixed in",
    "peak_end": "the last 10 ms within 20 dB of the word's loudest, likewise",
    "latency": "stream time from the word's end to the block of 20 ms that brought the verdict,"
    " plus the processor time of that block; of right and confirmed words",
    "right": "acted on with the right meaning and on nothing else",
    "wrong": "acted on with any other meaning, or when the word was not being said",
    "clips_and_hours": "outside recordings of less than 30 s are counted as clips, longer ones and"
    " the gaps between timed words by the hour",
    "times_real_time": "processor time over duration of all that was heard, on one core",
    "memory": "peak resident memory of a process that only listens, Python included",
}


@dataclass(frozen=True, slots=True)
class CellNamed:
    """Which cell was measured. ``hash`` changes with all that its listening depends on."""

    table: str
    file: str
    hash: str


@dataclass(frozen=True, slots=True)
class ManifestCounted:
    """What was heard, before noise was mixed in."""

    file: str
    recordings: int
    words: int
    outside_recordings: int
    duration_s: float
    speakers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ResultsFile:
    """The contents of results.json. ``snrs_db``: null is the recordings as they are."""

    format: Literal["tablevoice evaluation"]
    version: Literal[1]
    tablevoice: str
    cell: CellNamed
    manifest: ManifestCounted
    noises: tuple[str, ...]
    snrs_db: tuple[float | None, ...]
    definitions: Mapping[str, str]
    setups: tuple[SetupResults, ...]


def results_file(evaluation: Evaluation) -> ResultsFile:
    """All results as they are written."""
    recordings = evaluation.recordings
    return ResultsFile(
        FORMAT,
        VERSION,
        evaluation.version,
        CellNamed(evaluation.table, evaluation.cell_path.name, evaluation.cell_hash),
        ManifestCounted(
            evaluation.wish.manifest.name,
            len(recordings),
            sum(len(one.words) for one in recordings),
            sum(not one.words for one in recordings),
            sum(one.duration_s for one in recordings),
            tuple(sorted({one.speaker for one in recordings})),
        ),
        evaluation.noises,
        evaluation.wish.snrs_db,
        dict(DEFINITIONS),
        evaluation.setups,
    )


def results_json(evaluation: Evaluation) -> dict[str, Any]:
    """All results as plain values; the same recordings give the same ones, times apart."""
    plain: dict[str, Any] = _plain(results_file(evaluation))
    return plain


def results_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of results.json."""
    schema = TypeAdapter(ResultsFile).json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def write_results(evaluation: Evaluation) -> tuple[Path, ...]:
    """results.json and outcomes.csv. Raises StoreUnwritable."""
    folder = evaluation.wish.out
    text = json.dumps(results_json(evaluation), indent=1, ensure_ascii=False, allow_nan=False)
    return (
        write_text(folder / RESULTS_FILE, text + "\n"),
        write_text(folder / OUTCOMES_FILE, _outcomes(evaluation)),
    )


def write_text(path: Path, text: str) -> Path:
    """Replace a text file as a whole. Raises StoreUnwritable."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8", newline="")
        part.replace(path)
    except OSError as error:
        raise StoreUnwritable(
            f"the report cannot be written ({error.strerror or error}).", where=str(path),
            do="Check that the folder exists, that this user may write there and that the disk"
            " has room.",
        ) from error  # fmt: skip
    return path


def _outcomes(evaluation: Evaluation) -> str:
    """One line for each word or outside recording, set-up by set-up."""
    text = io.StringIO()
    extra = list(dict.fromkeys(name for one in evaluation.recordings for name, _ in one.extra))
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([
        "setup", "path", "at_s", "speaker", "condition", "noise", "snr_db", "expected", "outcome",
        "taken_for", "probability", "delay_ms", *extra,
    ])  # fmt: skip
    for counted, results in zip(evaluation.setups, evaluation.results, strict=True):
        for one in results:
            recording = evaluation.recordings[one.case.recording]
            about = [recording.speaker, recording.condition, noise_of(one),
                     snr_of(one).removesuffix(" dB")]  # fmt: skip
            rest = [recording.column(name) for name in extra]
            for spoken, word in zip(one.case.words, one.words, strict=True):
                at_s = "" if spoken.start_s is None else f"{spoken.start_s:.2f}"
                delay = "" if word.delay_s is None else f"{1000 * word.delay_s:.0f}"
                writer.writerow([
                    counted.setup, recording.name, at_s, *about, word.word.phrase,
                    word.outcome.value, word.taken_for or "", f"{word.probability:.3f}", delay,
                    *rest,
                ])  # fmt: skip
            if one.outside is not None and not one.words:
                acts = " ".join(act.meaning or "" for act in one.outside.acts)
                writer.writerow([
                    counted.setup, recording.name, f"{one.case.start_s:.2f}", *about, "",
                    one.outside.outcome.value, acts, f"{one.outside.probability:.3f}", "", *rest,
                ])  # fmt: skip
    return text.getvalue()


def _plain(value: Any) -> Any:
    """Dataclasses as mappings, numbers to six digits."""
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, dict):
        return {name: _plain(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value
