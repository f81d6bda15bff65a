"""Carries out a plan: on the cores of this computer, or on a Dask cluster; goes on after a break.

Knows which trials are kept already, how to hand out the others and in which order to give
them back: that of the plan, however many workers there were. Judges nothing.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeAlias

from tablevoice.cell import Cell
from tablevoice.corpora.workers import end_with_parent, one_thread_each
from tablevoice.errors import Problem, TablevoiceError
from tablevoice.evaluation.cases import Case
from tablevoice.evaluation.fingerprint import cell_fingerprint
from tablevoice.evaluation.trial_file import TrialFile
from tablevoice.evaluation.trials import Trial
from tablevoice.evaluation.working import Done, Job, raised, work
from tablevoice.listening.second_opinion import Opinions

Progress: TypeAlias = Callable[[int, int], None]
"""Called with how many trials are done, of how many."""

JOBS_AT_ONCE = 4
"""Handed out together: a message to a worker costs little beside them."""

QUEUED_PER_WORKER = 3
_DASK_QUEUED_PER_THREAD = 2


def trial_key(case: Case, setup: str, cell_hash: str) -> str:
    """Names a trial by all that its outcome depends on."""
    return f"{case.key()}-{setup}-{cell_hash}"


def carry_out(
    cell: Cell,
    cases: Sequence[Case],
    setups: Sequence[Opinions],
    kept: TrialFile,
    *,
    workers: int | None = None,
    dask: str | None = None,
    progress: Progress | None = None,
) -> list[list[Trial]]:
    """Every case tried with every set-up: for each case its trials, in the order of ``setups``.

    ``workers``: processes on this computer, one a core when left out. ``dask``: the address
    of a scheduler instead. Raises FileRefused for recordings that cannot be read (all others
    were tried and kept), RecogniserUnavailable, StoreUnwritable.
    """
    cell_hash = cell_fingerprint(cell)
    keys = [[trial_key(case, setup, cell_hash) for setup in setups] for case in cases]
    jobs: list[Job] = []
    for case, case_keys in zip(cases, keys, strict=True):
        named = zip(case_keys, setups, strict=True)
        missing = tuple((key, setup) for key, setup in named if key not in kept.kept)
        if missing:
            jobs.append((case, missing))
    of = len(cases) * len(setups)
    to_do = sum(len(missing) for _, missing in jobs)
    done = of - to_do
    if progress is not None:
        progress(done, of)
    problems: list[Problem] = []
    batches = [tuple(jobs[at : at + JOBS_AT_ONCE]) for at in range(0, len(jobs), JOBS_AT_ONCE)]
    name = str(cell.path.resolve())
    if dask is not None:
        results = _on_dask(dask, name, cell_hash, batches)
    else:
        results = _here(workers or usable_cores(), name, cell_hash, batches)
    for result in results:
        for one in result:
            if isinstance(one, Problem):
                if one not in problems:
                    problems.append(one)
                continue
            for trial in one:
                kept.add(trial)
                done += 1
        if progress is not None:
            progress(done, of)
    if problems:
        raise raised(sorted(problems, key=str))
    return [[kept.kept[key] for key in case_keys] for case_keys in keys]


def usable_cores() -> int:
    """How many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def _here(
    workers: int, cell_path: str, cell_hash: str, batches: Sequence[tuple[Job, ...]]
) -> Iterator[list[Done]]:
    if not batches:
        return
    workers = min(workers, len(batches))
    # Spawned: a fork would copy locks and threads of libraries that are in use.
    context = multiprocessing.get_context("spawn")
    with (
        one_thread_each(),
        ProcessPoolExecutor(workers, mp_context=context, initializer=end_with_parent) as pool,
    ):
        def start(batch: tuple[Job, ...]) -> Future[list[Done]]:
            return pool.submit(work, cell_path, cell_hash, batch)

        try:
            yield from _in_turn(start, batches, workers * QUEUED_PER_WORKER)
        except BrokenProcessPool as error:
            raise TablevoiceError(
                "a worker process ended unexpectedly; perhaps there was too little memory.",
                do="Run the same command again: it goes on where it stopped. Fewer --workers"
                " need less memory.",
            ) from error  # fmt: skip
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _in_turn(
    start: Callable[[tuple[Job, ...]], Future[list[Done]]],
    batches: Iterable[tuple[Job, ...]],
    at_once: int,
) -> Iterator[list[Done]]:
    """Results as they come; never more than ``at_once`` under way."""
    waiting = deque(batches)
    under_way: set[Future[list[Done]]] = set()
    while waiting or under_way:
        while waiting and len(under_way) < at_once:
            under_way.add(start(waiting.popleft()))
        finished, under_way = wait(under_way, return_when=FIRST_COMPLETED)
        for future in finished:
            yield future.result()


def _on_dask(
    address: str, cell_path: str, cell_hash: str, batches: Sequence[tuple[Job, ...]]
) -> Iterator[list[Done]]:
    try:
        distributed: Any = importlib.import_module("distributed")  # it has types by halves
    except ImportError as error:
        raise TablevoiceError(
            "the package distributed is missing.", where="--dask",
            do="Install it: pip install 'tablevoice[evaluate]'.",
        ) from error  # fmt: skip
    if not batches:
        return
    try:
        client: Any = distributed.Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:  # TimeoutError is an OSError
        raise TablevoiceError(
            f"no Dask scheduler answers ({error}).", where=f"--dask {address}",
            do="Start one (dask scheduler) and workers (dask worker ADDRESS --nthreads 1).",
        ) from error  # fmt: skip
    with client, client.as_current():
        threads = sum(int(count) for count in client.nthreads().values())
        if not threads:
            raise TablevoiceError(
                "the Dask scheduler has no workers.", where=f"--dask {address}",
                do=f"Start some: dask worker {address} --nthreads 1.",
            )  # fmt: skip
        waiting = deque(batches)
        at_once = min(len(waiting), _DASK_QUEUED_PER_THREAD * threads)
        first = [waiting.popleft() for _ in range(at_once)]
        under_way = distributed.as_completed(
            [client.submit(work, cell_path, cell_hash, batch, pure=False) for batch in first]
        )
        for future in under_way:
            yield future.result()
            if waiting:
                batch = waiting.popleft()
                under_way.add(client.submit(work, cell_path, cell_hash, batch, pure=False))
