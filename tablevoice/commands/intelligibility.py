"""How well a person at the table understands each voice of a cell in the noise of its room.

Knows the lines as their engines really sound and how loud they arrive at the listener;
draws and prints nothing. The index is :mod:`tablevoice.acoustics.intelligibility`'s, the
limits are :mod:`tablevoice.acoustics.audibility`'s. Called by ``tablevoice intelligibility``.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tablevoice.acoustics import audibility
from tablevoice.acoustics.audibility import StandsOut
from tablevoice.acoustics.bands import band_levels, level_and_spectrum, mean_db, sum_db
from tablevoice.acoustics.intelligibility import (
    GOOD_FROM,
    POOR_BELOW,
    Levels,
    Procedure,
    raise_needed_db,
    understood,
)
from tablevoice.acoustics.levels import SILENCE_DBFS, active_level
from tablevoice.assembly import Assembly
from tablevoice.cell import Cell
from tablevoice.commands.room_noise import RoomNoise
from tablevoice.errors import EngineFailed, FileRefused, Problem, TablevoiceError
from tablevoice.model import Clip, Priority, Voice
from tablevoice.nearest import advice
from tablevoice.speech.preparing import Progress
from tablevoice.speech.trimming import trim

SAMPLE_LINES = 6
"""So many lines of a voice are spoken by another to compare the two."""

MOST_UNSAID = 20
"""So many lines that cannot be said are left out; more are the engine's failure."""

LEAST_GAIN = 0.03
"""By less than this another voice is no better: lines of one voice differ by more."""

PLAIN_RATE_WPM = 150
"""An easy pace for announcements in noise. A rule of thumb: the index knows no pace at all."""

_ORDINARY_VARIANT = re.compile(r"([mf])[0-9]")
"""espeak-ng's plain variants; its others whisper, croak or imitate."""


@dataclass(frozen=True, slots=True)
class LineUnderstood:
    """One text in one voice: its level at the listener and its index there."""

    event: str
    text: str
    voice: str
    is_warning: bool
    lasts_s: float
    level_dba: float
    index: float


@dataclass(frozen=True, slots=True)
class OtherVoice:
    """Another voice of the engine, as loud as the present one, saying the same lines."""

    voice: str
    index: float
    instead_of: float


@dataclass(frozen=True, slots=True, eq=False)
class VoiceUnderstood:
    """One voice of the cell at the listener's place.

    ``index_when_loud``: in the loudest tenth of the room's time. ``speech_db`` and
    ``disturbance_db`` are levels of whole bands, shape ``(bands,)``. ``raise_db``: the least
    that makes it good, within the limit for long exposure; ``None`` where nothing within it
    does, then ``index_at_limit`` is what can be had. ``others`` are better voices, the best
    first. ``overlong_if_slow``: lines that would last longer than their event allows at
    :data:`PLAIN_RATE_WPM`; ``None`` where the voice is that slow already.
    """

    voice: Voice
    lines: int
    level_dba: float
    index: float
    index_when_loud: float
    below_good: int
    below_poor: int
    speech_db: Levels
    disturbance_db: Levels
    raise_db: float | None
    index_at_limit: float
    others: tuple[OtherVoice, ...]
    overlong_if_slow: int | None


@dataclass(frozen=True, slots=True)
class Warned:
    """A warning's line: whether it stands out of the room and whether it is short."""

    line: LineUnderstood
    stands_out: StandsOut

    @property
    def short(self) -> bool:
        return self.line.lasts_s <= audibility.SHORT_WARNING_S


@dataclass(frozen=True, slots=True)
class Report:
    """What was found. ``lines``: all, the least understood first; ``problems``: lines unsaid."""

    room: RoomNoise
    measured_with: str
    voices: tuple[VoiceUnderstood, ...]
    lines: tuple[LineUnderstood, ...]
    warnings: tuple[Warned, ...]
    problems: tuple[Problem, ...] = ()

    @property
    def procedure(self) -> Procedure:
        return self.room.procedure

    def below(self, index: float) -> list[LineUnderstood]:
        return [line for line in self.lines if line.index < index]


@dataclass(slots=True, eq=False)
class _Spoken:
    """One line as it left the engine, relative to full scale."""

    event: str
    text: str
    is_warning: bool
    lasts_s: float
    longest_s: float | None
    level_dbfs: float
    spectrum_dbfs: Levels


def find_out(
    cell: Cell,
    room: RoomNoise,
    level_at_listener_dba: float,
    *,
    measured_with: str | None = None,
    progress: Progress | None = None,
) -> Report:
    """Speak every line of ``cell`` that can be known ahead and see what arrives of it.

    ``level_at_listener_dba``: what a sound level meter shows where the listener's head is
    while the voice ``measured_with`` (``None``: the first) speaks; it fixes how loud all
    voices are. Raises TablevoiceError.
    """
    reference = measured_with if measured_with is not None else next(iter(cell.voices))
    if reference not in cell.voices:
        raise TablevoiceError(
            f"The cell {cell.table!r} has no voice {reference!r}.",
            do=advice(reference, cell.voices),
        )
    if not 0.0 < level_at_listener_dba <= 130.0:
        raise TablevoiceError(
            f"A level of {level_at_listener_dba:g} dB(A) is none of speech.",
            do="Give what a sound level meter shows at the listener's place, such as 68.",
        )
    with Assembly(cell, remember=False) as parts:
        if missing := parts.missing_voices():
            raise FileRefused(missing)
        problems: list[Problem] = []
        spoken = _spoken(parts, room.procedure, problems, progress)
        if reference not in spoken:
            raise TablevoiceError(
                f"The voice {reference!r} says no line that can be known ahead.",
                do="Name another with --measured-with.",
            )
        # One loudspeaker: what the meter showed for one voice holds for all.
        offset_db = level_at_listener_dba - _mean_level_dbfs(spoken[reference])
        lines: list[LineUnderstood] = []
        voices: list[VoiceUnderstood] = []
        for name, said in spoken.items():
            of_voice = [_line(one, name, offset_db, room) for one in said]
            lines += of_voice
            voices.append(_voice(parts, cell.voices[name], said, of_voice, offset_db, room))
    lines.sort(key=lambda line: line.index)
    warnings = tuple(
        Warned(line, StandsOut(line.level_dba, room.loud_level_dba))
        for line in lines
        if line.is_warning
    )
    return Report(room, reference, tuple(voices), tuple(lines), warnings, tuple(problems))


def _spoken(
    parts: Assembly, procedure: Procedure, problems: list[Problem], progress: Progress | None
) -> dict[str, list[_Spoken]]:
    """Every line by voice, in the cell's order of voices; adds what cannot be said."""
    parts.prepare(progress)
    by_voice: dict[str, list[_Spoken]] = {name: [] for name in parts.cell.voices}
    lines = list(parts.spoken_lines())
    for done, (event, _, text, voice) in enumerate(lines):
        if progress is not None and done % 20 == 0:
            progress(done, len(lines))
        try:
            clip = parts.voices.clip(text, voice)
        except EngineFailed as error:
            problems.append(error.problem)
            if len(problems) > MOST_UNSAID:
                raise  # not some lines, but the engine
            continue
        level_dbfs, spectrum_dbfs = _measured(clip, procedure)
        by_voice[voice].append(
            _Spoken(
                event.name, text, event.priority is Priority.WARNING, clip.duration_s,
                event.longest_s, level_dbfs, spectrum_dbfs,
            )
        )  # fmt: skip
    return {name: said for name, said in by_voice.items() if said}


def _measured(clip: Clip, procedure: Procedure) -> tuple[float, Levels]:
    """A-weighted level and spectrum while somebody speaks: pauses are taken off (P.56)."""
    activity = active_level(clip.samples, clip.rate_hz).activity
    if activity <= 0.0:  # silence has no level of its own
        return SILENCE_DBFS, np.full(len(procedure.centres_hz), SILENCE_DBFS)
    pauses_db = -10.0 * math.log10(activity)
    level_dbfs, spectrum_dbfs = level_and_spectrum(clip, procedure)
    return level_dbfs + pauses_db, spectrum_dbfs + pauses_db


def _mean_level_dbfs(said: Sequence[_Spoken]) -> float:
    return float(mean_db([[one.level_dbfs] for one in said], [one.lasts_s for one in said])[0])


def _mean_spectrum_dbfs(said: Sequence[_Spoken]) -> Levels:
    return mean_db([one.spectrum_dbfs for one in said], [one.lasts_s for one in said])


def _line(one: _Spoken, voice: str, offset_db: float, room: RoomNoise) -> LineUnderstood:
    index = understood(one.spectrum_dbfs + offset_db, room.spectrum_db, room.procedure).index
    return LineUnderstood(
        one.event, one.text, voice, one.is_warning, one.lasts_s,
        one.level_dbfs + offset_db, index,
    )  # fmt: skip


def _voice(
    parts: Assembly,
    voice: Voice,
    said: Sequence[_Spoken],
    lines: Sequence[LineUnderstood],
    offset_db: float,
    room: RoomNoise,
) -> VoiceUnderstood:
    speech_db = _mean_spectrum_dbfs(said) + offset_db
    level_dba = _mean_level_dbfs(said) + offset_db
    found = understood(speech_db, room.spectrum_db, room.procedure)
    room_left_db = audibility.LONG_EXPOSURE_DBA - level_dba
    needed_db = raise_needed_db(speech_db, room.spectrum_db, room.procedure, most_db=room_left_db)
    at_limit = understood(
        speech_db + max(0.0, room_left_db), room.spectrum_db, room.procedure
    ).index
    others: tuple[OtherVoice, ...] = ()
    overlong_if_slow = None
    if found.index < GOOD_FROM:
        others = _better_voices(parts, voice, said, level_dba, room)
    if voice.rate_wpm > PLAIN_RATE_WPM:
        slower = voice.rate_wpm / PLAIN_RATE_WPM
        overlong_if_slow = sum(
            one.longest_s is not None and one.lasts_s * slower > one.longest_s for one in said
        )
    return VoiceUnderstood(
        voice=voice, lines=len(said), level_dba=level_dba, index=found.index,
        index_when_loud=understood(speech_db, room.loud_spectrum_db, room.procedure).index,
        below_good=sum(line.index < GOOD_FROM for line in lines),
        below_poor=sum(line.index < POOR_BELOW for line in lines),
        speech_db=band_levels(speech_db, room.procedure),
        disturbance_db=band_levels(found.disturbance_db, room.procedure),
        raise_db=needed_db, index_at_limit=max(found.index, at_limit), others=others,
        overlong_if_slow=overlong_if_slow,
    )  # fmt: skip


def _better_voices(
    parts: Assembly, voice: Voice, said: Sequence[_Spoken], level_dba: float, room: RoomNoise
) -> tuple[OtherVoice, ...]:
    """Voices of the same engine and language that are understood better at the same level.

    Of a man's or woman's variant only others of the kind: arms are told apart by it.
    """
    if voice.engine != "espeak":
        return ()  # other engines have no variants of a language to try
    base, _, own = voice.voice.partition("+")
    kind = _ORDINARY_VARIANT.fullmatch(own)
    kinds = kind.group(1) if kind is not None else "mf"
    variants = sorted(
        name
        for name in parts.engine.names(voice.engine).variants
        if _ORDINARY_VARIANT.fullmatch(name) and name[0] in kinds
    )
    candidates = [base, *(f"{base}+{variant}" for variant in variants)]
    longest_first = sorted(said, key=lambda one: -one.lasts_s)
    texts = [one.text for one in longest_first[:SAMPLE_LINES]]
    here = _index_at(parts, voice, texts, level_dba, room)
    found = []
    for name in candidates:
        if name == voice.voice:
            continue
        try:
            there = _index_at(parts, replace(voice, voice=name), texts, level_dba, room)
        except EngineFailed:
            continue  # a voice that cannot say these lines is no better one
        if there >= here + LEAST_GAIN:
            found.append(OtherVoice(name, there, here))
    return tuple(sorted(found, key=lambda other: -other.index))


def _index_at(
    parts: Assembly, voice: Voice, texts: Sequence[str], level_dba: float, room: RoomNoise
) -> float:
    """The index of a voice with some lines when the loudspeaker is set to that level."""
    levels, spectra, weights = [], [], []
    for text in texts:
        clip = trim(parts.engine.render(text, voice))
        level_dbfs, spectrum_dbfs = _measured(clip, room.procedure)
        levels.append([level_dbfs])
        spectra.append(spectrum_dbfs)
        weights.append(clip.duration_s)
    offset_db = level_dba - float(mean_db(levels, weights)[0])
    speech_db = mean_db(spectra, weights) + offset_db
    return understood(speech_db, room.spectrum_db, room.procedure).index


def rating(index: float) -> str:
    """``good``, ``fair`` or ``poor``, by the borders of ANSI S3.5-1997 and ISO 9921."""
    return "good" if index >= GOOD_FROM else "poor" if index < POOR_BELOW else "fair"


def together_dba(report: Report) -> float:
    """The level at the listener while the loudest voice speaks in the room's noise."""
    loudest = max(voice.level_dba for voice in report.voices)
    return sum_db([loudest, report.room.level_dba])


def by_event(lines: Sequence[LineUnderstood]) -> Mapping[str, list[LineUnderstood]]:
    """Lines by event, in the order in which they come."""
    events: dict[str, list[LineUnderstood]] = defaultdict(list)
    for line in lines:
        events[line.event].append(line)
    return events
