"""What a worker process does: hold one ear for each set-up, and try the cases it is given.

The same functions serve the processes of this computer and those of a Dask cluster; they
know neither. A worker works on one case at a time, on one core.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path

from tablevoice.assembly import Assembly
from tablevoice.cell import Cell, load_cell
from tablevoice.errors import AudioUnavailable, FileRefused, Problem, TablevoiceError
from tablevoice.evaluation.cases import Case
from tablevoice.evaluation.fingerprint import cell_fingerprint
from tablevoice.evaluation.manifest import content_hash
from tablevoice.evaluation.phrases import Phrases, phrases_of
from tablevoice.evaluation.stimulus import make_stimulus
from tablevoice.evaluation.trials import Trial, try_out
from tablevoice.listening.ear import Ear
from tablevoice.listening.second_opinion import Opinions

Job = tuple[Case, tuple[tuple[str, Opinions], ...]]
"""A case, and the set-ups it is to be tried with, each with the key of its trial."""

Done = tuple[Trial, ...] | Problem
"""What came of a job; a problem is one of the recording."""


class Bench:
    """The ears of one process for one cell."""

    def __init__(self, cell_path: Path) -> None:
        self.cell: Cell = load_cell(cell_path)
        self.phrases: Phrases = phrases_of(self.cell.phrasebook)
        # Without a history: a trial leaves nothing behind.
        self._assembly = Assembly(self.cell, remember=False)
        self._ears: dict[Opinions, Ear] = {}

    def ear(self, setup: Opinions) -> Ear:
        """Opened when it is first asked for. Raises RecogniserUnavailable."""
        if setup not in self._ears:
            self._ears[setup] = self._assembly.open_ear(opinions=setup)
        return self._ears[setup]

    def do(self, job: Job) -> Done:
        """Every set-up hears the very same samples."""
        case, setups = job
        try:
            _check_same(case)
            stimulus = make_stimulus(case)
        except AudioUnavailable as error:
            return error.problem
        return tuple(
            try_out(self.ear(setup), self.cell, self.phrases, stimulus, key, setup)
            for key, setup in setups
        )


def _check_same(case: Case) -> None:
    for path, content in ((case.path, case.content), *_noise_files(case)):
        try:
            status = Path(path).stat()
            found = _hash_of(path, status.st_mtime_ns, status.st_size)
        except OSError as error:
            raise AudioUnavailable(
                f"the sound file cannot be read ({error.strerror or error}).", where=path,
                do="Every worker must see the recordings under the same path.",
            ) from error  # fmt: skip
        if found != content:
            raise AudioUnavailable(
                "the sound file is not the one that the manifest was read with.", where=path,
                do="Leave the recordings alone during a run; run it again.",
            )  # fmt: skip


def _noise_files(case: Case) -> Iterator[tuple[str, str]]:
    if case.noise is not None and not case.noise.made:
        yield case.noise.path, case.noise.content


@lru_cache(maxsize=256)
def _hash_of(path: str, _changed_ns: int, _size: int) -> str:
    return content_hash(Path(path))


# --- one bench a process ---------------------------------------------------------

_benches: dict[tuple[str, str], Bench] = {}
_one_at_a_time = threading.Lock()


def work(cell_path: str, cell_hash: str, jobs: Sequence[Job]) -> list[Done]:
    """Try some cases in this process; a later call finds the ears open.

    ``cell_hash`` is what the run's cell and program came to; a worker that comes to something
    else raises TablevoiceError. Where a process has several
    threads, they take turns: a recogniser is not thread-safe.
    """
    with _one_at_a_time:
        name = (cell_path, cell_hash)
        if name not in _benches:
            _benches.clear()
            try:
                bench = Bench(Path(cell_path))
            except FileRefused as refused:  # it would not survive the way between processes
                raise TablevoiceError(str(refused)) from None
            if cell_fingerprint(bench.cell) != cell_hash:
                raise TablevoiceError(
                    "a worker has another version of tablevoice or of the cell than this one.",
                    where=cell_path, do="Install the same everywhere, leave both alone during a"
                    " run, and run it again.",
                )  # fmt: skip
            _benches[name] = bench
        return [_benches[name].do(job) for job in jobs]


def raised(problems: Sequence[Problem]) -> TablevoiceError:
    """Some recordings could not be tried: one error that lists them."""
    return FileRefused(problems)
