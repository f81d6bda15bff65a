"""What a command model learns from: every phrase, and all that is not one, as heard in a room.

Knows which texts are worth saying, by whom, and how rooms, machines and microphones spoil
them; knows no network and no classifier. Everything follows from one seed. ``tune`` asks
for a plan and has each worker process make the examples of its share.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tablevoice.corpora import noises
from tablevoice.corpora.mixing import any_colour, clipped, coloured, mixed, padded, recorded
from tablevoice.corpora.rooms import reverberant, room_response
from tablevoice.corpora.sentences import EVERYDAY, carried, without_commands
from tablevoice.corpora.speakers import (
    Speaker,
    Studio,
    any_manner,
    sample_of_speakers,
    speakers,
)
from tablevoice.corpora.wordlists import near_words, ordinary_words, parts
from tablevoice.errors import EngineFailed, RecogniserUnavailable
from tablevoice.listening.dictionary import Phones, ways_of_saying
from tablevoice.model import LISTENING_RATE_HZ, Samples
from tablevoice.wording import normalise

NOISES = ("pump", "valve", "compressed_air", "fan", "servo", "motor", "grinder", "hammer",
          "beeper", "music", "babble", "shop", "pink", "hum")  # fmt: skip
_PEOPLE = ("babble", "shop")
_ROOMS = 48
_NOISE_S = 20.0
_LONGEST_S = 4.0
_ALONE_S = 30.0
_FEWEST_HEARINGS = 4
_TALKERS = 16
_SHARES = {"flite": 0.5}
"""The slow engine of five voices speaks half as often as each of the others."""

_SAME_WORD = 0.6
"""Words nearer than this (a weak vowel for another) nobody tells apart: not held against it."""


@dataclass(frozen=True, slots=True)
class Example:
    """One thing to be said (or, with no speaker, a stretch of noise alone; ``alone`` is a whole
    piece of it, of which everything counts that is taken for speech).

    ``phrase``: the normalised command that it is, or ``""``. ``group``: what kind of thing
    it is (``command``, ``near``, ``part``, ``carried``, ``sentence``, ``word``, ``line``,
    ``noise``, ``alone``). ``snr_db`` is over the active speech, ITU-T P.56. ``given``: the
    number of the recording that is heard in place of a voice that says the text.
    """

    phrase: str
    text: str
    speaker: Speaker | None
    group: str
    snr_db: float
    seed: int
    given: int | None = None

    @property
    def family(self) -> str:
        """Who speaks, for holding whole families out; ``person`` for a recorded one."""
        if self.given is not None:
            return "person"
        return "nobody" if self.speaker is None else self.speaker.family


@dataclass(frozen=True, slots=True)
class Amounts:
    """How many examples of each kind a plan has.

    A recording is heard ``each_recording`` times, fewer where that would be more than
    ``all_recordings`` in all (but four times at least).
    """

    each_command: int = 170
    near_each: int = 8
    near_speakers: int = 3
    parts_speakers: int = 3
    carried_each: int = 8
    sentences: int = 260
    words: int = 1400
    lines: int = 240
    noises: int = 300
    alone: int = 500
    each_recording: int = 40
    all_recordings: int = 2500
    loudest_noise_db: float = -4.0
    softest_noise_db: float = 24.0


def plan(
    phrases: Collection[str],
    cast: Sequence[Speaker],
    *,
    pronunciations: Mapping[str, tuple[str, ...]],
    lines: Sequence[str] = (),
    recordings: Sequence[str] = (),
    amounts: Amounts = Amounts(),
    seed: int = 1,
) -> list[Example]:
    """Everything to be said. ``lines``: texts of the arms, which must not be taken for answers.

    ``recordings``: what people said in recordings of the place (a phrase, or ``""`` where it
    was nothing for the table); each is heard several times, in other noise.
    """
    rng = np.random.default_rng(seed)
    commands = tuple(sorted({normalise(phrase) for phrase in phrases}))
    wanted: list[tuple[str, str, str]] = []
    near = {
        phrase: near_words(phrase, amounts.near_each, extra=pronunciations) for phrase in commands
    }
    too_near = {
        word.text for words in near.values() for word in words if word.distance < _SAME_WORD
    }
    sounds = {way for phrase in commands for way in ways_of_saying(phrase, pronunciations)}

    def other(text: str) -> bool:
        return normalise(text) not in too_near and not _sounds_as(text, sounds, pronunciations)

    for phrase in commands:
        wanted += [(phrase, phrase, "command")] * amounts.each_command
        texts = [word.text for word in near[phrase] if other(word.text)]
        wanted += [("", text, "near") for text in texts] * amounts.near_speakers
        pieces = [text for text in parts(phrase, extra=pronunciations) if other(text)]
        wanted += [("", text, "part") for text in pieces] * amounts.parts_speakers
        inside = carried(phrase)
        chosen = rng.choice(len(inside), min(amounts.carried_each, len(inside)), replace=False)
        wanted += [("", inside[index], "carried") for index in chosen]
    said = without_commands(EVERYDAY, commands)
    wanted += [("", said[i], "sentence") for i in rng.integers(0, len(said), amounts.sentences)]
    words = ordinary_words(amounts.words, seed, without=commands)
    wanted += [("", word, "word") for word in words if other(word)]
    lines = [line for line in lines if other(line)]
    if lines:
        wanted += [("", lines[i], "line") for i in rng.integers(0, len(lines), amounts.lines)]
    chosen_cast = sample_of_speakers(cast, min(len(cast), 240), seed)
    by_family: dict[str, list[Speaker]] = {}
    for speaker in chosen_cast:
        by_family.setdefault(speaker.family, []).append(speaker)
    families = sorted(by_family)
    shares = np.array([_SHARES.get(family, 1.0) for family in families])
    examples = []
    for phrase, text, group in wanted:
        family = by_family[families[int(rng.choice(len(families), p=shares / shares.sum()))]]
        speaker = family[int(rng.integers(len(family)))]
        examples.append(_example(phrase, text, speaker, group, amounts, rng))
    for _ in range(amounts.noises):
        examples.append(_example("", "", None, "noise", amounts, rng))
    for _ in range(amounts.alone):
        examples.append(_example("", "", None, "alone", amounts, rng))
    share = max(_FEWEST_HEARINGS, amounts.all_recordings // max(1, len(recordings)))
    for number, phrase in enumerate(recordings):
        for _ in range(min(amounts.each_recording, share)):
            drawn = _example(phrase, "", None, "command" if phrase else "recording", amounts, rng)
            examples.append(replace(drawn, given=number))
    order = rng.permutation(len(examples))
    return [examples[index] for index in order]


def _sounds_as(
    text: str, sounds: Collection[Phones], pronunciations: Mapping[str, tuple[str, ...]]
) -> bool:
    """Whether a text may sound just as one of ``sounds``; nobody could tell them apart."""
    try:
        return any(way in sounds for way in ways_of_saying(text, pronunciations))
    except RecogniserUnavailable:  # a word that no dictionary has: a line of the arms
        return False


def _example(
    phrase: str, text: str, speaker: Speaker | None, group: str, amounts: Amounts,
    rng: np.random.Generator,
) -> Example:  # fmt: skip
    snr_db = float(rng.uniform(amounts.loudest_noise_db, amounts.softest_noise_db))
    if rng.random() < 0.12:
        snr_db = 35.0
    return Example(phrase, text, speaker, group, snr_db, int(rng.integers(1 << 31)))


@dataclass(frozen=True, slots=True, eq=False)
class Performed:
    """What the microphone has, mono 16 kHz, and how long somebody spoke in it."""

    samples: Samples
    speech_s: float


@dataclass(slots=True)
class Stage:
    """Where examples are performed: voices, machines and rooms, made once a process.

    ``own_noises``: recordings of the cell's room; half of the examples get one of them.
    ``kinds``: the noises by name that are played.
    """

    own_noises: Sequence[Samples] = ()
    kinds: tuple[str, ...] = NOISES
    seed: int = 1
    _studio: Studio | None = None
    _voices: list[Samples] = field(default_factory=list)
    _noises: dict[str, Samples] = field(default_factory=dict)
    _rooms: dict[int, Any] = field(default_factory=dict)

    def perform(self, example: Example, given: Samples | None = None) -> Performed | None:
        """The example as a microphone has it; ``None`` where the engine can't say the text.

        ``given``: what a person said, in place of a voice that says the text.
        """
        rng = np.random.default_rng(example.seed)
        before_s, after_s = float(rng.uniform(0.1, 0.32)), float(rng.uniform(0.08, 0.3))
        noise = self._noise(rng)
        if example.speaker is None and given is None:
            n = round(float(rng.uniform(0.5, 1.8)) * LISTENING_RATE_HZ)
            start = int(rng.integers(0, len(noise) - n))
            alone = coloured(noise[start : start + n], any_colour(rng))
            return Performed(recorded(alone, self._level(rng)), n / LISTENING_RATE_HZ)
        spoken = given
        if spoken is None:
            assert example.speaker is not None
            try:
                spoken = self._open_studio().say(example.speaker, example.text, any_manner(rng))
            except EngineFailed:
                return None
        spoken = spoken[: round(_LONGEST_S * LISTENING_RATE_HZ)]
        speech = padded(spoken, before_s, after_s)
        if rng.random() < 0.6:
            speech = reverberant(speech, self._room(int(rng.integers(_ROOMS))), keep_tail=False)
        heard = coloured(mixed(speech, noise, example.snr_db, rng), any_colour(rng))
        if rng.random() < 0.08:
            heard = clipped(heard, float(rng.uniform(1.0, 9.0)))
        speech_s = len(spoken) / LISTENING_RATE_HZ
        return Performed(recorded(heard, self._level(rng)), speech_s)

    def machines_alone(self, example: Example) -> Samples:
        """A piece of machines or music with nobody speaking, another one for each seed."""
        rng = np.random.default_rng(example.seed)
        n = round(_ALONE_S * LISTENING_RATE_HZ)
        if self.own_noises and rng.random() < 0.5:
            own = self.own_noises[int(rng.integers(len(self.own_noises)))]
            sound = np.roll(np.tile(own, -(-n // len(own))), -int(rng.integers(len(own))))[:n]
        else:
            sound = self._other_machine(rng)
            if rng.random() < 0.4:
                beside = np.float32(10.0 ** (float(rng.uniform(-25.0, -6.0)) / 20.0))
                sound = sound + beside * self._other_machine(rng)
        return recorded(coloured(sound, any_colour(rng)), self._level(rng))

    def _other_machine(self, rng: np.random.Generator) -> Samples:
        kinds = [kind for kind in self.kinds if kind not in _PEOPLE] or ["pink"]
        kind = kinds[int(rng.integers(len(kinds)))]
        return noises.noise(kind, _ALONE_S, int(rng.integers(1 << 31)))

    def _level(self, rng: np.random.Generator) -> float:
        return float(rng.uniform(-42.0, -16.0))

    def _noise(self, rng: np.random.Generator) -> Samples:
        if self.own_noises and rng.random() < 0.5:
            return self.own_noises[int(rng.integers(len(self.own_noises)))]
        kind = self.kinds[int(rng.integers(len(self.kinds)))]
        take = int(rng.integers(4))
        key = f"{kind} {take}"
        if key not in self._noises:
            speech = self._talk() if kind in _PEOPLE else ()
            self._noises[key] = noises.noise(kind, _NOISE_S, self.seed * 1000 + take, speech=speech)
        return self._noises[key]

    def _talk(self) -> Sequence[Samples]:
        if not self._voices:
            cast = sample_of_speakers(speakers(("espeak", "hibari")), _TALKERS, self.seed)
            self._voices = [
                self._open_studio().say(speaker, EVERYDAY[index])
                for index, speaker in enumerate(cast)
            ]
        return self._voices

    def _open_studio(self) -> Studio:
        if self._studio is None:
            self._studio = Studio()
        return self._studio

    def _room(self, number: int) -> Any:
        if number not in self._rooms:
            self._rooms[number] = room_response(self.seed * 1000 + number)
        return self._rooms[number]
