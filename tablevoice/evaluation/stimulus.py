"""Makes what the ear gets to hear of a case: lead-in, recording, tail, noise at its ratio.

Knows sound files and levels, no recogniser. A case is always the same samples, so that
every set-up and every worker hears the same. Called by the trials.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from tablevoice.acoustics.levels import (
    P56_MARGIN_DB,
    SILENCE_DBFS,
    active_level_dbfs,
    rms_dbfs,
)
from tablevoice.acoustics.noise import shop_noise
from tablevoice.audio.clip_files import read_clip, read_stretch, to_rate
from tablevoice.corpora.noises import NAMES, noise, noise_from_file
from tablevoice.corpora.speakers import Speaker, Studio
from tablevoice.evaluation.cases import Case, NoiseChoice
from tablevoice.model import LISTENING_RATE_HZ, Samples

LEAD_S = 2.0
"""Before a recording begins: longer than the window of the ear's noise floor (1.5 s), so that
the floor has settled."""

PIECE_LEAD_S = 8.0
"""Of a later piece of a long recording: its own sound before, since people talk for long."""

TAIL_S = 1.5
"""After the end: longer than the ear waits for the rest of a phrase (0.6 s)."""

PEAK_MARK_DB = 20.0
SHOP, BABBLE, WORKSHOP = "shop", "babble", "workshop"
MADE_NOISES = (*NAMES, WORKSHOP)
"""``shop`` is a mixture of other machines for every clip, ``workshop`` always the demo's."""

_TALKERS = ("en-us", "en-gb", "en-gb-scotland", "en-us+f2", "en-gb+f3", "en-us+m4")
_TALK = (
    "and then we carried all the boxes over to the window",
    "she told me that the train was late again this morning",
    "I think the other one was a little heavier than that",
    "could somebody bring two cups of coffee and some paper",
)

_FRAME = LISTENING_RATE_HZ // 100
_QUIETEST_SHARE, _FEWEST_FRAMES = 0.1, 5
_BACKGROUND_BELOW_SPEECH_DB = 20.0
_BACKGROUND_LOWEST_DBFS = -75.0
_LONG_LEVEL_STRETCHES, _LONG_LEVEL_STRETCH_S = 10, 60.0


@dataclass(frozen=True, slots=True)
class PlacedWord:
    """A word and where it lies in the stimulus, in seconds.

    ``end_s`` is the written one, else the end of the P.56 activity; ``peak_end_s`` the last
    10 ms within 20 dB of the word's loudest. Both are of the recording before any noise.
    """

    phrase: str
    meaning: str
    start_s: float
    end_s: float
    peak_end_s: float
    timed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Stimulus:
    """``samples``: 16 kHz mono, ``(n,)``. ``from_s`` to ``to_s`` is what counts of it."""

    samples: Samples
    from_s: float
    to_s: float
    words: tuple[PlacedWord, ...]


def make_stimulus(case: Case) -> Stimulus:
    """Raises AudioUnavailable for a file that cannot be read or a silent noise file."""
    if case.whole:
        clip, before_s = read_clip(Path(case.path)), 0.0
    else:
        before_s = min(PIECE_LEAD_S, case.start_s)
        clip = read_stretch(Path(case.path), case.start_s - before_s, case.stop_s + TAIL_S)
    heard = to_rate(clip, LISTENING_RATE_HZ).samples
    words = _placed(case, heard, case.start_s - before_s)
    lead = max(0, round((LEAD_S - before_s) * LISTENING_RATE_HZ))
    tail = round(TAIL_S * LISTENING_RATE_HZ) if case.last else 0
    level_dbfs = case.level_dbfs
    if level_dbfs is None:
        level_dbfs = active_level_dbfs(heard, LISTENING_RATE_HZ)
    room = _background(heard, lead + tail, level_dbfs, case.seed("background"))
    samples = np.concatenate((room[:lead], heard, room[lead:]))
    if case.noise is not None and case.snr_db is not None:
        seed = case.seed(case.noise.name)
        samples = _in_noise(samples, level_dbfs, case.noise, case.snr_db, seed)
    lead_s = lead / LISTENING_RATE_HZ
    from_s = lead_s + before_s
    last_s = len(samples) / LISTENING_RATE_HZ
    placed = tuple(
        PlacedWord(word.phrase, word.meaning, word.start_s + lead_s, word.end_s + lead_s,
                   word.peak_end_s + lead_s, word.timed)
        for word in words
    )  # fmt: skip
    to_s = last_s if case.last else from_s + case.stop_s - case.start_s
    return Stimulus(samples, 0.0 if case.start_s == 0.0 else from_s, to_s, placed)


def long_level_dbfs(path: Path, duration_s: float) -> float:
    """Active level of a long recording, from ten minutes spread over it."""
    count = min(_LONG_LEVEL_STRETCHES, max(1, int(duration_s // _LONG_LEVEL_STRETCH_S)))
    stretches = [
        to_rate(
            read_stretch(path, at_s, at_s + _LONG_LEVEL_STRETCH_S), LISTENING_RATE_HZ
        ).samples
        for at_s in np.linspace(0.0, max(0.0, duration_s - _LONG_LEVEL_STRETCH_S), count)
    ]
    return active_level_dbfs(np.concatenate(stretches), LISTENING_RATE_HZ)


def activity_s(samples: Samples) -> tuple[float, float]:
    """First and last moment of the P.56 activity: 10 ms frames above the active level less
    15.9 dB. The hangover, which only bridges gaps, is not counted. The whole, if silent."""
    return _marks(samples, active_level_dbfs(samples, LISTENING_RATE_HZ) - P56_MARGIN_DB)


def below_peak_s(samples: Samples) -> tuple[float, float]:
    """First and last moment of the 10 ms frames within 20 dB of the loudest one."""
    levels = _frame_levels_dbfs(samples)
    return _marks(samples, float(levels.max(initial=SILENCE_DBFS)) - PEAK_MARK_DB)


def _marks(samples: Samples, threshold_dbfs: float) -> tuple[float, float]:
    above = np.flatnonzero(_frame_levels_dbfs(samples) >= max(threshold_dbfs, SILENCE_DBFS + 1.0))
    if not len(above):
        return 0.0, len(samples) / LISTENING_RATE_HZ
    return float(above[0]) * 0.01, float(above[-1] + 1) * 0.01


def _frame_levels_dbfs(samples: Samples) -> Samples:
    whole = len(samples) // _FRAME * _FRAME
    power = np.square(samples[:whole].reshape(-1, _FRAME), dtype=np.float64).mean(axis=1)
    levels: Samples = (10.0 * np.log10(np.maximum(power, 1e-12))).astype(np.float32)
    return levels


def _placed(case: Case, heard: Samples, origin_s: float) -> list[PlacedWord]:
    """The words' times within ``heard``, which begins at ``origin_s`` of the file."""
    placed = []
    for word in case.words:
        if word.start_s is None or word.end_s is None:
            start_s, end_s = activity_s(heard)
            peak_end_s = below_peak_s(heard)[1]
            timed = False
        else:
            start_s, end_s, timed = word.start_s - origin_s, word.end_s - origin_s, True
            first, last = (round(at_s * LISTENING_RATE_HZ) for at_s in (start_s, end_s))
            peak_end_s = start_s + below_peak_s(heard[max(0, first) : last])[1]
        placed.append(PlacedWord(word.phrase, word.meaning, start_s, end_s, peak_end_s, timed))
    return placed


def _background(heard: Samples, length: int, level_dbfs: float, seed: int) -> Samples:
    """Noise like the recording's quietest tenth: a room goes on before and after a clip.

    Never closer than 20 dB to the speech (of a clip without any pause the quietest part is
    speech), never silent (a microphone is not).
    """
    white = np.random.RandomState(seed).standard_normal(max(length, 2))
    whole = len(heard) // _FRAME * _FRAME
    frames = heard[:whole].reshape(-1, _FRAME).astype(np.float64)
    if len(frames):
        count = min(len(frames), max(_FEWEST_FRAMES, round(_QUIETEST_SHARE * len(frames))))
        quiet = frames[np.argsort(np.square(frames).mean(axis=1), kind="stable")[:count]]
        window = np.hanning(_FRAME)
        shape = np.sqrt(np.square(np.abs(np.fft.rfft(quiet * window, axis=1))).mean(axis=0))
        found_dbfs = rms_dbfs(quiet.astype(np.float32).ravel())
        if shape.max() > 0.0:
            spectrum = np.fft.rfft(white)
            at = np.linspace(0.0, 1.0, len(spectrum))
            white = np.fft.irfft(
                spectrum * np.interp(at, np.linspace(0.0, 1.0, len(shape)), shape), len(white)
            )
    else:
        found_dbfs = SILENCE_DBFS
    wanted_dbfs = max(
        _BACKGROUND_LOWEST_DBFS, min(found_dbfs, level_dbfs - _BACKGROUND_BELOW_SPEECH_DB)
    )
    gain = 10.0 ** (wanted_dbfs / 20.0) / math.sqrt(float(np.mean(np.square(white))))
    background: Samples = (white * gain).astype(np.float32)[:length]
    return background


def _in_noise(
    samples: Samples, level_dbfs: float, choice: NoiseChoice, snr_db: float, seed: int
) -> Samples:
    """Active level of the recording over the RMS of the noise; both softer beyond ±1."""
    under = _noise(choice, len(samples), seed).astype(np.float64)
    gain_db = level_dbfs - snr_db - rms_dbfs(under.astype(np.float32))
    mixed = samples + under * 10.0 ** (gain_db / 20.0)
    mixed /= max(1.0, float(np.abs(mixed).max()))
    result: Samples = mixed.astype(np.float32)
    return result


def _noise(choice: NoiseChoice, length: int, seed: int) -> Samples:
    seconds = length / LISTENING_RATE_HZ
    if not choice.made:
        return noise_from_file(choice.path, seconds, seed)
    if choice.name == WORKSHOP:
        return shop_noise(seconds, LISTENING_RATE_HZ, seed).samples
    return noise(choice.name, seconds, seed, speech=_talk() if choice.name == BABBLE else ())


@lru_cache(maxsize=1)
def _talk() -> tuple[Samples, ...]:
    """What babble is made of. Raises EngineFailed."""
    with Studio() as studio:
        return tuple(
            studio.say(Speaker("espeak", name), text) for name in _TALKERS for text in _TALK
        )
