"""Lays out what is to be tried: each recording, in pieces, in each noise at each ratio.

Pure: knows durations and times, no sound. Long recordings are cut into pieces of about a
minute, for parallel work and so that an interruption costs little; borders lie between
words. Called by the run, which gives the cases to workers in any order.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from tablevoice.evaluation.manifest import Recording, SpokenWord

CASE_FORMAT = 1
"""Goes up when a case of the same contents would sound different."""

UNCUT_S = 90.0
"""A recording up to this long is tried as a whole."""

PIECE_S = 60.0
_BORDER_FREEDOM_S = 20.0
"""So far a border may move from its place to come between two words."""

_BORDER_STEP_S = 0.05


@dataclass(frozen=True, slots=True)
class NoiseChoice:
    """A noise to mix in: one that is made (``made``), or a sound file with its hash."""

    name: str
    made: bool
    path: str = ""
    content: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """One stretch of one recording in one noise: what a worker tries in one go.

    ``start_s`` to ``stop_s`` is the stretch of the file that counts; ``stop_s`` is the
    file's end where ``last``. ``level_dbfs``: the whole recording's active level, given
    where the stretch is a piece of it. ``recording`` is its place in the manifest.
    """

    recording: int
    path: str
    content: str
    start_s: float
    stop_s: float
    last: bool
    words: tuple[SpokenWord, ...]
    noise: NoiseChoice | None = None
    snr_db: float | None = None
    level_dbfs: float | None = None

    @property
    def whole(self) -> bool:
        return self.start_s == 0.0 and self.last

    def seed(self, what: str) -> int:
        """Of ``what`` is made for this case: by the recording alone, so that all ratios and
        set-ups get the same noise."""
        text = f"{self.content} {self.start_s:.3f} {what}"
        return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")

    def key(self) -> str:
        """Names the case by its contents, wherever its files lie."""
        values = asdict(self)
        for place in ("recording", "path"):
            del values[place]
        if self.noise is not None:
            del values["noise"]["path"]
        text = json.dumps([CASE_FORMAT, values], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:24]


def plan(
    recordings: Sequence[Recording],
    noises: Sequence[NoiseChoice],
    snrs_db: Sequence[float | None],
    levels_dbfs: Mapping[int, float],
) -> tuple[Case, ...]:
    """Every case, in the order in which results are told.

    ``snrs_db``: ``None`` is the recording as it is. ``levels_dbfs``: active level by place
    in ``recordings``, of those longer than :data:`UNCUT_S`.
    """
    cases: list[Case] = []
    mixes: list[tuple[NoiseChoice | None, float | None]] = []
    if None in snrs_db or not snrs_db:
        mixes.append((None, None))
    mixes += [(noise, snr) for noise in noises for snr in snrs_db if snr is not None]
    for noise, snr_db in mixes:
        for place, recording in enumerate(recordings):
            for start_s, stop_s in cut(recording.duration_s, recording.words):
                cases.append(
                    Case(
                        place, str(recording.path), recording.content, start_s, stop_s,
                        stop_s == recording.duration_s,
                        tuple(word for word in recording.words
                              if word.end_s is None or start_s < word.end_s <= stop_s),
                        noise, snr_db, levels_dbfs.get(place),
                    )
                )  # fmt: skip
    return tuple(cases)


def cut(duration_s: float, words: Sequence[SpokenWord]) -> list[tuple[float, float]]:
    """Stretches of about :data:`PIECE_S` that follow each other and cover the recording."""
    if duration_s <= UNCUT_S:
        return [(0.0, duration_s)]
    count = round(duration_s / PIECE_S)
    borders = [0.0]
    for number in range(1, count):
        borders.append(_quiet_border(duration_s * number / count, words))
    borders.append(duration_s)
    return list(itertools.pairwise(borders))


def _quiet_border(at_s: float, words: Sequence[SpokenWord]) -> float:
    """The moment near ``at_s`` that is farthest from words; the nearest of equals."""
    steps = int(_BORDER_FREEDOM_S / _BORDER_STEP_S)

    def badness(step: int) -> tuple[float, int]:
        moment_s = at_s + step * _BORDER_STEP_S
        return (-min(2.0, _distance_s(moment_s, words)), abs(step))

    best = min(range(-steps, steps + 1), key=badness)
    return round(at_s + best * _BORDER_STEP_S, 3)


def _distance_s(moment_s: float, words: Sequence[SpokenWord]) -> float:
    distances = [
        max(word.start_s - moment_s, moment_s - word.end_s, 0.0)
        for word in words
        if word.start_s is not None and word.end_s is not None
    ]
    return min(distances, default=float("inf"))
