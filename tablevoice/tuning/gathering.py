"""Makes the examples of a plan and listens to each, spread over the cores.

Every worker process has voices, rooms, the encoder and the cell's recogniser of its own; what
comes back are rows of evidence, small enough to keep. Called by ``tune`` alone.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tablevoice.corpora.workers import end_with_parent, one_thread_each
from tablevoice.errors import EngineFailed
from tablevoice.listening.certainty import all_that_was_said
from tablevoice.listening.evidence import Commands, Row
from tablevoice.listening.recognisers import Recogniser, open_recogniser
from tablevoice.listening.sound_encoder import SoundEncoder
from tablevoice.model import LISTENING_RATE_HZ, Samples
from tablevoice.tuning.examples import NOISES, Example, Stage
from tablevoice.tuning.false_starts import false_starts

Progress: TypeAlias = Callable[[int, int], None]
_SHARE = 16
_ASK_GRAMMAR = 4
"""One of so many examples is decoded by the grammar too: it is slow, and five numbers need
no more."""


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """What a worker needs to listen as the cell does. All of it can be sent to a process."""

    phrases: tuple[str, ...]
    pronunciations: Mapping[str, tuple[str, ...]]
    recogniser: str
    model: str | None
    own_noises: tuple[Samples, ...] = ()
    recordings: tuple[Samples, ...] = ()
    kinds: tuple[str, ...] = NOISES
    seed: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Examples that could be made and their rows by sound, one each; ``grammar``: rows of the
    examples that the grammar was asked about too, whose numbers stand in ``asked``. A piece
    of machines alone stands there as often as something in it was taken for speech."""

    examples: list[Example]
    sound: NDArray[np.float32]
    asked: NDArray[np.int64]
    grammar: NDArray[np.float32]


def gather(
    examples: Sequence[Example],
    setting: Setting,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Gathered:
    """Rows of the examples, in order; the same for any number of workers.

    Raises EngineFailed when a worker dies or nothing could be made at all.
    """
    kept: list[Example] = []
    sound: list[Row] = []
    asked: list[int] = []
    grammar: list[Row] = []
    shares = [examples[at : at + _SHARE] for at in range(0, len(examples), _SHARE)]
    done = 0
    for share, rows in zip(shares, _spread(shares, setting, workers or os.cpu_count() or 1),
                           strict=True):  # fmt: skip
        for example, of_example in zip(share, rows, strict=True):
            for by_sound, by_grammar in of_example:
                if by_grammar is not None:
                    asked.append(len(kept))
                    grammar.append(by_grammar)
                kept.append(example)
                sound.append(by_sound)
        done += len(share)
        if progress is not None:
            progress(done, len(examples))
    if not kept:
        raise EngineFailed(
            "No example could be made.", do="Look at `tablevoice say`: can any voice speak here?"
        )
    columns = 2 * len(setting.phrases) + 2
    return Gathered(
        kept,
        np.stack(sound),
        np.array(asked, np.int64),
        np.array(grammar, np.float32).reshape(-1, columns),
    )


_Rows: TypeAlias = "list[list[tuple[Row, Row | None]]]"
"""For each example none, one or several rows by sound, with the grammar's where it was asked."""


def _spread(
    shares: Sequence[Sequence[Example]], setting: Setting, workers: int
) -> Iterator[_Rows]:
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"),
        initializer=_open, initargs=(setting,),
    )  # fmt: skip
    try:
        with one_thread_each():
            yield from pool.map(_listen, shares)
    except BrokenProcessPool as error:
        raise EngineFailed(
            "A process that makes examples died.", do="Look for too little memory, then run again."
        ) from error
    finally:
        pool.shutdown(cancel_futures=True)


class _Bench:
    def __init__(self, setting: Setting) -> None:
        self.stage = Stage(setting.own_noises, setting.kinds, setting.seed)
        self.recordings = setting.recordings
        self.encoder = SoundEncoder()
        self.commands = Commands(setting.phrases, setting.pronunciations, self.encoder)
        self.recogniser: Recogniser = open_recogniser(
            setting.recogniser, setting.model, pronunciations=setting.pronunciations
        )
        self.recogniser.set_phrases(self.commands.phrases)

    def rows(self, example: Example) -> list[tuple[Row, Row | None]]:
        if example.group == "alone":
            taken = false_starts(self.stage.machines_alone(example))
            heard = [(samples, len(samples) / LISTENING_RATE_HZ) for samples in taken]
        else:
            given = None if example.given is None else self.recordings[example.given]
            performed = self.stage.perform(example, given)
            heard = [] if performed is None else [(performed.samples, performed.speech_s)]
        return [self._row(samples, speech_s, example.seed) for samples, speech_s in heard]

    def _row(self, samples: Samples, speech_s: float, seed: int) -> tuple[Row, Row | None]:
        sound = self.commands.row(self.encoder.listen(samples))
        if seed % _ASK_GRAMMAR:
            return sound, None
        self.recogniser.start()
        self.recogniser.feed(samples)
        hypothesis = all_that_was_said(self.recogniser.finish(), speech_s)
        return sound, self.commands.grammar_row(hypothesis)


_bench: Any = None
"""The worker process's own."""


def _open(setting: Setting) -> None:
    global _bench
    end_with_parent()
    _bench = _Bench(setting)


def _listen(share: Sequence[Example]) -> _Rows:
    # The recogniser learns the room as it goes: what it heard before, and so how many
    # processes there are, must make no difference.
    _bench.recogniser.reset()
    return [_bench.rows(example) for example in share]
