"""Everything at hand that can say a text, and the studio in which it is said.

Knows which engines there are and brings what they make to one form: mono, 16 kHz, no
silence around it. Each engine is a module of its own and may be missing. Knows no noise
and no room. Called by whoever renders a corpus, mostly through
:mod:`tablevoice.corpora.rendering`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType, TracebackType
from typing import Protocol

import numpy as np

from tablevoice.audio.clip_files import to_rate
from tablevoice.corpora.voice_changes import changed
from tablevoice.errors import EngineFailed, Problem
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples
from tablevoice.nearest import advice
from tablevoice.speech.cleaning import plain_text
from tablevoice.speech.engines import SILENT_PEAK
from tablevoice.speech.trimming import trim


@dataclass(frozen=True, slots=True, order=True)
class Speaker:
    """One voice of one engine.

    ``family`` names the engine (a key of :data:`FAMILIES`): what is held out is held out by
    family, since the voices of one engine are alike. ``name`` is the engine's own.
    """

    family: str
    name: str

    def __str__(self) -> str:
        return f"{self.family}:{self.name}"


@dataclass(frozen=True, slots=True)
class Manner:
    """How a speaker says something, beside their own way.

    ``speed``: words in the same time. ``tract``: length of the vocal tract (1.1: a bigger
    person). ``effort_db_per_octave``: a raised voice has more above 500 Hz.
    """

    speed: float = 1.0
    pitch_semitones: float = 0.0
    tract: float = 1.0
    effort_db_per_octave: float = 0.0


PLAIN = Manner()


class SpeechEngine(Protocol):
    """What the studio wants of an engine; opening one raises :class:`EngineFailed`."""

    family: str
    own_pitch: bool
    """Whether ``say`` does the pitch; else the studio changes the clip."""

    def names(self, language: str) -> list[str]:
        """Voices that speak ``language`` (``en``, or an accent: ``en-gb``)."""

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """The text, at any rate, silence included. Raises :class:`EngineFailed`."""

    def close(self) -> None:
        """Give back what is open; the engine is unusable afterwards."""


def _espeak() -> SpeechEngine:
    from tablevoice.corpora.espeak_voices import EspeakVoices

    return EspeakVoices()


def _flite() -> SpeechEngine:
    from tablevoice.corpora.flite_voices import FliteVoices

    return FliteVoices()


def _hibari() -> SpeechEngine:
    from tablevoice.corpora.hibari_voices import HibariVoices

    return HibariVoices()


def _festival() -> SpeechEngine:
    from tablevoice.corpora.festival_voices import FestivalVoices

    return FestivalVoices()


def _pico() -> SpeechEngine:
    from tablevoice.corpora.pico_voices import PicoVoices

    return PicoVoices()


def _piper() -> SpeechEngine:
    from tablevoice.corpora.piper_voices import PiperVoices

    return PiperVoices()


FAMILIES: Mapping[str, Callable[[], SpeechEngine]] = MappingProxyType(
    {
        "espeak": _espeak,
        "festival": _festival,
        "flite": _flite,
        "hibari": _hibari,
        "pico": _pico,
        "piper": _piper,
    }
)
"""Every engine that is known, and what opens it."""


class Studio:
    """Engines, opened when first needed and kept open. One thread at a time.

    A context manager. The same speaker, text and manner give the same samples.
    """

    def __init__(self) -> None:
        self._engines: dict[str, SpeechEngine] = {}

    def __enter__(self) -> Studio:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every engine; a later call opens them again."""
        while self._engines:
            self._engines.popitem()[1].close()

    def engine(self, family: str) -> SpeechEngine:
        """The engine of a family. Raises :class:`EngineFailed` where it is not here."""
        if family not in FAMILIES:
            raise EngineFailed(f"There is no engine {family!r}.", do=advice(family, FAMILIES))
        if family not in self._engines:
            self._engines[family] = FAMILIES[family]()
        return self._engines[family]

    def say(self, speaker: Speaker, text: str, manner: Manner = PLAIN) -> Samples:
        """``text`` as mono 16 kHz, peak within ±1, without silence around it.

        Raises :class:`EngineFailed` where the engine is not here, does not know the
        voice, or makes no sound of the text.
        """
        where = str(speaker)
        if not any(char.isalnum() for char in plain_text(text)):
            raise EngineFailed(
                f"Nothing in {text!r} can be spoken.", where=where, do="Write words."
            )
        engine = self.engine(speaker.family)
        pitch = manner.pitch_semitones
        clip = engine.say(speaker.name, text, manner.speed, pitch if engine.own_pitch else 0.0)
        if not len(clip.samples) or float(np.abs(clip.samples).max()) < SILENT_PEAK:
            raise EngineFailed(
                f"The engine made no sound of {text!r}.",
                where=where,
                do="Write words of its language.",
            )
        samples = trim(to_rate(clip, LISTENING_RATE_HZ)).samples
        samples = changed(
            samples,
            pitch_semitones=0.0 if engine.own_pitch else pitch,
            tract=manner.tract,
            effort_db_per_octave=manner.effort_db_per_octave,
        )
        highest = float(np.abs(samples).max())
        return np.asarray(samples / max(1.0, highest), dtype=np.float32)


def speakers(families: Collection[str] | None = None, *, language: str = "en") -> list[Speaker]:
    """Everyone at hand who speaks ``language``, sorted.

    ``families``: only these, each of which has to be here; ``None``: those that are here.
    Raises :class:`EngineFailed`.
    """
    found: list[Speaker] = []
    with Studio() as studio:
        for family in FAMILIES if families is None else families:
            try:
                engine = studio.engine(family)
            except EngineFailed:
                if families is not None:
                    raise
                continue  # `missing_families` tells
            found += [Speaker(family, name) for name in engine.names(language)]
    return sorted(found)


def missing_families() -> dict[str, Problem]:
    """The engines that are not here: what is wrong, and how to get each."""
    missing: dict[str, Problem] = {}
    with Studio() as studio:
        for family in FAMILIES:
            try:
                studio.engine(family)
            except EngineFailed as error:
                missing[family] = error.problem
    return missing


def sample_of_speakers(among: Collection[Speaker], count: int, seed: int) -> list[Speaker]:
    """``count`` of ``among``, as evenly over the families as their sizes allow; all if fewer."""
    chooser = random.Random(seed)
    waiting: dict[str, list[Speaker]] = {}
    for speaker in sorted(among):
        waiting.setdefault(speaker.family, []).append(speaker)
    for of_family in waiting.values():
        chooser.shuffle(of_family)
    chosen: list[Speaker] = []
    while len(chosen) < count and any(waiting.values()):
        for of_family in waiting.values():
            if of_family and len(chosen) < count:
                chosen.append(of_family.pop())
    return sorted(chosen)


def any_manner(rng: np.random.Generator, strength: float = 1.0) -> Manner:
    """A manner drawn at random; ``strength`` 1 reaches about as far as people do, 0 is plain.

    Widths are choices of ours: speed 0.75 to 1.35, pitch ±4 semitones, tract ±14 %, effort
    -1 to +3 dB an octave; a tenth are emphatic: slower, higher and louder in the treble.
    """
    emphatic = 1.0 if rng.random() < 0.1 else 0.0
    speed = np.exp(strength * (rng.uniform(-0.28, 0.30) - 0.15 * emphatic))
    pitch = strength * (rng.uniform(-4.0, 4.0) + 2.0 * emphatic)
    tract = np.exp(strength * rng.uniform(-0.14, 0.14))
    effort = strength * (rng.uniform(-1.0, 2.0) + 1.5 * emphatic)
    return Manner(float(speed), float(pitch), float(tract), float(effort))
