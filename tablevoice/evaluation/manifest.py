"""Reads the list of recordings to be tried, and what is said in them.

Knows the manifest's columns, the sidecar with the times of several words, and what can be
wrong with either; plays nothing. Every finding of a manifest is told at once, by line.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import soundfile

from tablevoice.errors import FileRefused, Problem
from tablevoice.nearest import advice
from tablevoice.wording import normalise

COLUMNS = ("path", "expected", "speaker", "condition")
WORD_COLUMNS = ("start_s", "end_s", "expected")
WORDS_ENDING = ".words.csv"
WORDS_COLUMN = "words"
_TIME_TOLERANCE_S = 0.05
_HASHED_AT_ONCE = 1 << 20


@dataclass(frozen=True, slots=True)
class SpokenWord:
    """A phrase of the cell that is said. Times in seconds of the file; ``None`` where the
    recording is that phrase alone and nobody wrote down when it begins and ends."""

    phrase: str
    meaning: str
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Recording:
    """One sound file of the manifest. No ``words``: nothing in it is said to the table.

    ``content`` is the SHA-256 of the file's bytes, ``line`` where the manifest names it,
    ``name`` the path as written there, ``extra`` the columns beyond the known ones.
    """

    path: Path
    name: str
    line: int
    content: str
    duration_s: float
    words: tuple[SpokenWord, ...]
    speaker: str
    condition: str
    extra: tuple[tuple[str, str], ...] = ()

    def column(self, name: str) -> str:
        """The value of an extra column; empty where there is none."""
        return dict(self.extra).get(name, "")


def read_manifest(path: Path, meanings: Mapping[str, str]) -> tuple[Recording, ...]:
    """The recordings, in the order of the file. ``meanings``: the cell's normalised phrases.

    Paths are seen from the manifest's folder. Raises FileRefused listing every finding.
    """
    problems: list[Problem] = []
    recordings: list[Recording] = []
    lines: dict[Path, int] = {}
    for line, row in _rows(path, COLUMNS, problems):
        recording = _Row(path, line, row, meanings, problems).read()
        if recording is None:
            continue
        place = recording.path.resolve()
        if place in lines:
            problems.append(
                Problem(f"{recording.name!r} stands in line {lines[place]} already.",
                        f"{path}:{line}, column path", "Leave one of the two lines out.")
            )  # fmt: skip
        lines.setdefault(place, line)
        recordings.append(recording)
    if not recordings and not problems:
        problems.append(
            Problem("the manifest lists no recordings.", str(path),
                    "Write one line for each sound file.")
        )  # fmt: skip
    if problems:
        raise FileRefused(problems)
    return tuple(recordings)


def content_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal. Raises OSError."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_HASHED_AT_ONCE):
            digest.update(block)
    return digest.hexdigest()


class _Row:
    """One line of the manifest, being checked."""

    def __init__(
        self, manifest: Path, line: int, row: Mapping[str, str], meanings: Mapping[str, str],
        problems: list[Problem],
    ) -> None:  # fmt: skip
        self._manifest, self._line, self._row = manifest, line, row
        self._meanings, self._problems = meanings, problems

    def read(self) -> Recording | None:
        before = len(self._problems)
        name = self._row["path"]
        if not name:
            self._find("path", "the path is empty.", "Name a WAV or FLAC file.")
            return None
        path = self._manifest.parent / name
        measured = self._sound(path)
        words = self._words(path, measured[0] if measured else math.inf)
        if measured is None or len(self._problems) > before:
            return None
        known = (*COLUMNS, WORDS_COLUMN)
        extra = tuple((key, value) for key, value in self._row.items() if key not in known)
        return Recording(
            path, name, self._line, measured[1], measured[0], words,
            self._row["speaker"], self._row["condition"], extra,
        )  # fmt: skip

    def _find(self, column: str, what: str, do: str) -> None:
        where = f"{self._manifest}:{self._line}, column {column}"
        self._problems.append(Problem(what, where, do))

    def _sound(self, path: Path) -> tuple[float, str] | None:
        """Duration in seconds and content hash."""
        try:
            if not path.is_file():
                self._find("path", f"there is no file {str(path)!r}.",
                           "Paths are seen from the manifest's folder.")  # fmt: skip
                return None
            info = soundfile.info(path)
            if info.frames <= 0:
                self._find("path", f"{path.name!r} holds no sound.", "Record it again.")
                return None
            return info.frames / info.samplerate, content_hash(path)
        except OSError as error:
            self._find("path", f"{path.name!r} cannot be read ({error.strerror or error}).",
                       "Check that this user may read it.")  # fmt: skip
        except soundfile.SoundFileError:
            self._find("path", f"{path.name!r} is not a sound file that can be read.",
                       "Give a WAV or FLAC file; convert it or export it again.")  # fmt: skip
        return None

    def _words(self, path: Path, duration_s: float) -> tuple[SpokenWord, ...]:
        expected = self._row["expected"]
        sidecar = self._sidecar(path)
        if sidecar is not None and expected:
            self._find("expected", f"there is a file of words too ({sidecar.name}).",
                       "Leave `expected` empty where a file names the words.")  # fmt: skip
            return ()
        if sidecar is not None:
            return _timed_words(sidecar, duration_s, self._meanings, self._problems)
        if not expected:
            return ()
        phrase = normalise(expected)
        meaning = self._meanings.get(phrase)
        if meaning is None:
            self._find("expected", f"{expected!r} is no phrase of this cell.",
                       advice(phrase, self._meanings))  # fmt: skip
            return ()
        return (SpokenWord(phrase, meaning),)

    def _sidecar(self, path: Path) -> Path | None:
        named = self._row.get(WORDS_COLUMN, "")
        if named:
            sidecar = self._manifest.parent / named
            if sidecar.is_file():
                return sidecar
            self._find(WORDS_COLUMN, f"there is no file {str(sidecar)!r}.",
                       "Paths are seen from the manifest's folder.")  # fmt: skip
            return None
        beside = (path.with_name(path.name + WORDS_ENDING), path.with_suffix(WORDS_ENDING))
        return next((sidecar for sidecar in beside if sidecar.is_file()), None)


def _timed_words(
    sidecar: Path, duration_s: float, meanings: Mapping[str, str], problems: list[Problem]
) -> tuple[SpokenWord, ...]:
    words: list[SpokenWord] = []
    last_end_s, last_line = 0.0, 0
    for line, row in _rows(sidecar, WORD_COLUMNS, problems):
        where = f"{sidecar}:{line}"
        phrase = normalise(row["expected"])
        meaning = meanings.get(phrase)
        start_s, end_s = _seconds(row["start_s"]), _seconds(row["end_s"])
        if meaning is None:
            do = advice(phrase, meanings)
            what = f"{row['expected']!r} is no phrase of this cell."
            problems.append(Problem(what, f"{where}, column expected", do))
        if start_s is None or end_s is None or start_s < 0.0 or end_s <= start_s:
            problems.append(
                Problem(f"{row['start_s']!r} to {row['end_s']!r} is no stretch of time.",
                        f"{where}, columns start_s and end_s",
                        "Write seconds from the file's beginning, the start before the end.")
            )  # fmt: skip
            continue
        if end_s > duration_s + _TIME_TOLERANCE_S:
            problems.append(
                Problem(f"the word ends at {end_s:g} s, the recording at {duration_s:.2f} s.",
                        f"{where}, column end_s", "Write seconds from the file's beginning.")
            )  # fmt: skip
        if start_s < last_end_s:
            problems.append(
                Problem(f"the word begins before that of line {last_line} ends.",
                        f"{where}, column start_s", "Sort the words by time.")
            )  # fmt: skip
        last_end_s, last_line = end_s, line
        if meaning is not None:
            words.append(SpokenWord(phrase, meaning, start_s, min(end_s, duration_s)))
    return tuple(words)


def _seconds(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _rows(
    path: Path, columns: tuple[str, ...], problems: list[Problem]
) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows of a CSV with the number of the line they end in; blank lines are left out."""
    text = _text(path, problems)
    if text is None:
        return
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    try:
        for cells in reader:
            values = [cell.strip() for cell in cells]
            if not any(values):
                continue
            if header is None:
                header = [name.casefold() for name in values]
                missing = [name for name in columns if name not in header]
                doubled = sorted({name for name in header if header.count(name) > 1})
                if missing or doubled:
                    what = f"there is no column {missing[0]!r}" if missing else (
                        f"there are two columns {doubled[0]!r}")  # fmt: skip
                    problems.append(
                        Problem(f"{what} in the first line ({', '.join(header)}).",
                                f"{path}:{reader.line_num}",
                                f"The columns are {', '.join(columns)}, parted by commas.")
                    )  # fmt: skip
                    return
            elif len(values) != len(header):
                problems.append(
                    Problem(f"the line has {len(values)} values, the first line"
                            f" {len(header)} columns.", f"{path}:{reader.line_num}",
                            "Put a value that holds a comma between double quotes.")
                )  # fmt: skip
            else:
                yield reader.line_num, dict(zip(header, values, strict=True))
    except csv.Error as error:
        problems.append(
            Problem(f"this is not CSV ({error}).", f"{path}:{reader.line_num}",
                    "Save it as comma-separated UTF-8 text.")
        )  # fmt: skip
        return
    if header is None:
        problems.append(
            Problem("the file is empty.", str(path), f"Its columns are {', '.join(columns)}.")
        )


def _text(path: Path, problems: list[Problem]) -> str | None:
    try:
        data = path.read_bytes()
    except OSError as error:
        problems.append(
            Problem(f"the file cannot be read ({error.strerror or error}).", str(path),
                    "Check the path and that this user may read it.")
        )  # fmt: skip
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problems.append(
            Problem("the text is not UTF-8.", f"{path}:{line}", "Save it as UTF-8.")
        )
        return None
