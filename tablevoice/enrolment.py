"""The words that operators said for this table, kept beside its cell file with their consent.

Knows the folders and what is in them; neither records nor learns. The command ``enrol``
fills it, the tuning reads :func:`enrolled`.

Each person has a folder ``voices_enrolled/NAME`` with ``WORD-1.flac`` and so on, and
``enrolment.json`` with the consent. A person's folder appears when all takes are in it;
what was taken until an interruption waits in ``.NAME.part`` and is not asked for again.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping, Sequence
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from tablevoice.audio.clip_files import write_clip
from tablevoice.cell import Cell
from tablevoice.errors import StoreUnwritable, TablevoiceError
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples
from tablevoice.nearest import advice
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.wording import normalise

FOLDER = "voices_enrolled"
TAKES = 3
"""How often each word is said."""

CONSENT = (
    "I agree that the words I say now are kept as sound on this computer, beside the cell"
    " file, so that this table hears me better. `tablevoice enrol CELL NAME --forget` deletes"
    " them at any time."
)
_NAME = re.compile(r"[\w][\w .-]{0,62}[\w]|[\w]")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def enrolled(cell: Cell) -> Mapping[str, list[tuple[str, Path]]]:
    """By person: normalised phrase and sound file (16 kHz FLAC) of every take.

    Takes of phrases that the phrasebook no longer has are left out. Raises
    TablevoiceError where an enrolment is damaged.
    """
    phrases = set(words_of(cell))
    found: dict[str, list[tuple[str, Path]]] = {}
    for name in names(cell):
        folder = _folder(cell) / name
        takes = [(take["phrase"], folder / take["file"]) for take in _read(folder)["takes"]]
        for _, path in takes:
            if not path.exists():
                raise _damaged(folder, f"{path.name} is missing")
        found[name] = [(phrase, path) for phrase, path in takes if phrase in phrases]
    return found


def names(cell: Cell) -> list[str]:
    """The people who are enrolled, sorted."""
    try:
        return sorted(
            entry.name for entry in _folder(cell).iterdir()
            if entry.is_dir() and not entry.name.startswith(".")
        )  # fmt: skip
    except FileNotFoundError:
        return []


def words_of(cell: Cell) -> list[str]:
    """Every phrase to be said, normalised, each once."""
    return list(dict.fromkeys(map(normalise, spoken_phrases(cell.phrasebook))))


def forget(cell: Cell, name: str) -> int:
    """Delete all that is kept of a person; gives how many takes went."""
    name = _checked(name)
    folder, part = _folder(cell) / name, _part(cell, name)
    former = part.with_name(f".{name}.former")
    if not any(place.exists() for place in (folder, part, former)):
        raise TablevoiceError(
            f"Nobody is enrolled as {name!r}.", where=str(_folder(cell)),
            do=advice(name, names(cell)),
        )  # fmt: skip
    gone = 0
    for place in (part, former, folder):
        if place.exists():
            gone += len(list(place.glob("*.flac")))
            try:
                shutil.rmtree(place)
            except OSError as error:
                raise _unwritable(place, error) from error
    return gone


class Enrolment:
    """One person's takes while they are being made.

    ``phrases``: those to be said, normalised; all of the cell's when ``None``. What the
    person enrolled of other phrases before stays.
    """

    def __init__(self, cell: Cell, name: str, phrases: Sequence[str] | None = None) -> None:
        self.name = _checked(name)
        self._folder = _folder(cell) / self.name
        self._part = _part(cell, self.name)
        self._former = self._part.with_name(f".{self.name}.former")
        if self._former.exists() and not self._folder.exists():
            self._former.rename(self._folder)  # the plug was pulled while they changed places
        known = words_of(cell)
        for phrase in phrases or ():
            if normalise(phrase) not in known:
                raise TablevoiceError(
                    f"{phrase!r} is no phrase of the phrasebook.",
                    do=advice(normalise(phrase), known),
                )
        self.phrases = list(dict.fromkeys(map(normalise, phrases))) if phrases else known

    def wanted(self) -> list[tuple[str, int]]:
        """What is still to be said: phrase and number of the take, from 1."""
        return [
            (phrase, number)
            for phrase in self.phrases
            for number in range(1, TAKES + 1)
            if not (self._part / file_name(phrase, number)).exists()
        ]

    def keep(self, phrase: str, number: int, samples: Samples) -> None:
        """Keep a take (16 kHz). Raises StoreUnwritable."""
        try:
            self._part.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_clip(
                self._part / file_name(phrase, number), Clip(samples, LISTENING_RATE_HZ)
            )
        except (OSError, TablevoiceError) as error:
            raise _unwritable(self._part, error) from error

    def finish(self, consent: str, consented: datetime) -> int:
        """Put all takes in place; gives how many there are now. Raises StoreUnwritable."""
        if self.wanted():
            raise RuntimeError("an enrolment cannot be finished before all was said")
        takes = [
            {"phrase": phrase, "number": number, "file": file_name(phrase, number)}
            for phrase in self.phrases for number in range(1, TAKES + 1)
        ]  # fmt: skip
        try:
            if self._folder.exists():
                for take in _read(self._folder)["takes"]:
                    if take["phrase"] not in self.phrases:
                        shutil.copy2(self._folder / take["file"], self._part)
                        takes.append(take)
            told: dict[str, Any] = {
                "format": 1,
                "name": self.name,
                "consent": consent,
                "consented_utc": consented.astimezone(timezone.utc).isoformat(),
                "rate_hz": LISTENING_RATE_HZ,
                "takes": takes,
            }
            text = json.dumps(told, indent=2, ensure_ascii=False)
            (self._part / "enrolment.json").write_text(text + "\n", encoding="utf-8")
            shutil.rmtree(self._former, ignore_errors=True)
            if self._folder.exists():
                self._folder.rename(self._former)
            self._part.rename(self._folder)
            shutil.rmtree(self._former, ignore_errors=True)
        except OSError as error:
            raise _unwritable(self._folder, error) from error
        return len(takes)


def file_name(phrase: str, number: int) -> str:
    """``never mind``, 2 -> ``never_mind-2.flac``."""
    return f"{phrase.replace(' ', '_')}-{number}.flac"


def _folder(cell: Cell) -> Path:
    return cell.path.parent / FOLDER


def _part(cell: Cell, name: str) -> Path:
    return _folder(cell) / f".{name}.part"


def _checked(name: str) -> str:
    """A name that is a folder's name on every system."""
    if not _NAME.fullmatch(name) or _RESERVED.fullmatch(name):
        raise TablevoiceError(
            f"{name!r} cannot be the name of an enrolment.",
            do="Use letters, digits, spaces and -, at most 64 of them.",
        )
    return name


def _read(folder: Path) -> dict[str, Any]:
    try:
        told = json.loads((folder / "enrolment.json").read_text(encoding="utf-8"))
        for take in told["takes"]:
            if Path(take["file"]).name != take["file"] or not isinstance(take["phrase"], str):
                raise ValueError(f"{take['file']!r} is no file of it")
        return dict(told)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise _damaged(folder, str(error)) from error


def _damaged(folder: Path, why: str) -> TablevoiceError:
    return TablevoiceError(
        f"The enrolment of {folder.name!r} is damaged: {why}.", where=str(folder),
        do=f"Enrol {folder.name} again, or delete it with --forget.",
    )  # fmt: skip


def _unwritable(place: Path, error: Exception) -> StoreUnwritable:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return StoreUnwritable(
        f"The enrolment cannot be kept: {reason}.", where=str(place),
        do="Make the folder of the cell file writable, and make room on the disk.",
    )  # fmt: skip
