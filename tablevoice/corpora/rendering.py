"""Renders many clips over several processes, in order, with a word on how far it is.

Knows how the work is spread and nothing of voices or texts. A clip that cannot be made
comes back with its problem in place of its samples, so one bad text never costs the rest.
Called by tuning, evaluation and the choice of words.
"""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from typing import TypeAlias

from tablevoice.corpora.speakers import PLAIN, Manner, Speaker, Studio
from tablevoice.corpora.workers import end_with_parent
from tablevoice.errors import EngineFailed, Problem
from tablevoice.model import Samples

Progress: TypeAlias = Callable[[int, int], None]
"""Called with how many are done and how many there are."""

_BATCH = 24
"""Clips a worker takes at a time: far above the cost of handing them over, below a second."""

_AHEAD = 3
"""Batches a worker has waiting, so that a slow reader bounds the memory."""

_WORTH_WORKERS = 2 * _BATCH
"""Fewer clips are made here: a new process takes a second to be ready."""


@dataclass(frozen=True, slots=True)
class Request:
    """One clip that is wanted."""

    speaker: Speaker
    text: str
    manner: Manner = PLAIN


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """A clip, mono 16 kHz, or the reason why there is none."""

    request: Request
    samples: Samples | None
    problem: Problem | None = None


def render(
    requests: Iterable[Request],
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Iterator[Rendered]:
    """Each request's clip, in the order of the requests; the same for any ``workers``.

    ``workers``: processes, one a core when ``None``; 1 works in this one. Processes are
    started afresh (no fork), so the caller's main module has to be importable. Raises
    :class:`EngineFailed` when a worker process dies.
    """
    wanted = list(requests)
    count = (os.cpu_count() or 1) if workers is None else workers
    if count < 1:
        raise ValueError(f"{count} workers cannot render anything")
    if count == 1 or len(wanted) < _WORTH_WORKERS:
        results = _here(wanted)
    else:
        results = _spread(wanted, min(count, -(-len(wanted) // _BATCH)))
    for number, rendered in enumerate(results, start=1):
        if progress is not None:
            progress(number, len(wanted))
        yield rendered


def rendered_clips(results: Iterable[Rendered]) -> list[tuple[Request, Samples]]:
    """Requests and their clips where every one has to be there. Raises :class:`EngineFailed`."""
    clips = []
    for rendered in results:
        if rendered.samples is None:
            problem = rendered.problem or Problem("No clip was made.")
            raise EngineFailed(problem.what, where=problem.where, do=problem.do)
        clips.append((rendered.request, rendered.samples))
    return clips


def _here(wanted: Sequence[Request]) -> Iterator[Rendered]:
    with Studio() as studio:
        for request in wanted:
            yield _made(studio, request)


def _spread(wanted: Sequence[Request], workers: int) -> Iterator[Rendered]:
    batches = iter([wanted[at : at + _BATCH] for at in range(0, len(wanted), _BATCH)])
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=_open_studio
    )
    waiting: deque[Future[list[Rendered]]] = deque()
    try:
        waiting.extend(pool.submit(_batch, batch) for batch in islice(batches, _AHEAD * workers))
        while waiting:
            done = waiting.popleft().result()
            waiting.extend(pool.submit(_batch, batch) for batch in islice(batches, 1))
            yield from done
    except BrokenProcessPool as error:
        raise EngineFailed(
            "A process that renders clips died.",
            do="Look for too little memory, and for an engine that crashes: try one family less.",
        ) from error
    finally:
        pool.shutdown(cancel_futures=True)


_studio: Studio | None = None
"""The worker process's own."""


def _open_studio() -> None:
    global _studio
    end_with_parent()
    _studio = Studio()


def _batch(batch: Sequence[Request]) -> list[Rendered]:
    assert _studio is not None
    return [_made(_studio, request) for request in batch]


def _made(studio: Studio, request: Request) -> Rendered:
    try:
        return Rendered(request, studio.say(request.speaker, request.text, request.manner))
    except EngineFailed as error:
        return Rendered(request, None, error.problem)
