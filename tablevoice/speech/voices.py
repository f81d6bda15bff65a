"""Names of voices: what an engine has, the nearest to a wrong one, checks before opening.

Knows how a name is built (``language`` or ``language+variant``), not how it sounds and
not the process that speaks. Called by the engine client for its error texts and by
the check of a cell file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rapidfuzz import fuzz, process

from tablevoice.errors import EngineFailed, Problem
from tablevoice.model import Voice

NEAREST_COUNT = 3


@dataclass(frozen=True, slots=True)
class VoiceNames:
    """What one engine can speak with: ``voices``, each alone or with one of ``variants``.

    ``file_ending``: how a file ends that is a voice too, empty where none is.
    """

    voices: tuple[str, ...]
    variants: tuple[str, ...] = ()
    file_ending: str = ""

    def has(self, name: str) -> bool:
        """Whether ``name`` is a listed voice, with a listed variant if it has one, or a file."""
        if self.is_file_name(name):
            return Path(name).is_file() and Path(f"{name}.json").is_file()
        base, plus, variant = name.partition("+")
        if base.casefold() not in {voice.casefold() for voice in self.voices}:
            return False
        return not plus or variant in self.variants

    def is_file_name(self, name: str) -> bool:
        """Whether ``name`` names a file, there or not."""
        return bool(self.file_ending) and name.endswith(self.file_ending)


def nearest(name: str, names: VoiceNames) -> tuple[str, ...]:
    """The voices most like ``name``, best first; all of them can be used as they stand."""
    base, plus, variant = name.partition("+")
    bases = _closest(base.casefold(), names.voices)
    if not plus or not names.variants:
        return bases
    variants = _closest(variant, names.variants)
    if base.casefold() in {voice.casefold() for voice in names.voices}:
        return tuple(f"{base}+{like}" for like in variants)
    return tuple(f"{like}+{variants[0]}" for like in bases)


def advice(name: str, names: VoiceNames) -> str:
    """What to do about an unknown voice, as one sentence."""
    if names.is_file_name(name):
        return f"Put the voice file there, and its settings beside it in {Path(name).name}.json."
    likely = nearest(name, names)
    if not likely:
        return "Install a voice for this engine: it lists none."
    return f"Nearest: {', '.join(likely)}."


def missing_voices(
    voices: Mapping[str, Voice], names_of: Callable[[str], VoiceNames], where: str = ""
) -> list[Problem]:
    """Problems that would keep a cell's voices from speaking; empty when all can.

    ``voices``: the cell's, by name. ``names_of``: what an engine kind has, normally
    :meth:`tablevoice.speech.engines.Engine.names`; an :class:`EngineFailed` from it
    becomes a problem too.
    """
    problems = []
    for key, voice in voices.items():
        place = f"{where}: voices.{key}" if where else f"voices.{key}"
        try:
            names = names_of(voice.engine)
        except EngineFailed as error:
            problems.append(Problem(error.problem.what, place, error.problem.do))
            continue
        if not names.has(voice.voice):
            what = f"no voice {voice.voice!r} in engine {voice.engine!r}."
            problems.append(Problem(what, place, advice(voice.voice, names)))
    return problems


def stand_ins(
    voices: Mapping[str, Voice], names_of: Callable[[str], VoiceNames]
) -> dict[str, Voice]:
    """For each voice that cannot speak here the first one that can, under its name.

    Empty when all can, and when none can. Arguments as for :func:`missing_voices`.
    """
    missing = {name for name in voices if missing_voices({name: voices[name]}, names_of)}
    able = next((voice for name, voice in voices.items() if name not in missing), None)
    if able is None:
        return {}
    return {name: replace(able, name=name) for name in voices if name in missing}


def _closest(name: str, choices: Sequence[str]) -> tuple[str, ...]:
    found = process.extract(name, choices, scorer=fuzz.ratio, limit=NEAREST_COUNT)
    return tuple(choice for choice, _, _ in found)
