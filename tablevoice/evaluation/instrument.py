"""The whole measurement: a manifest, a cell and a wish go in, counted results come out.

Knows the order of the steps and nothing of how each is done; draws and prints nothing. The
command and the benchmarks begin here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tablevoice import __version__
from tablevoice.acoustics.levels import SILENCE_DBFS, rms_dbfs
from tablevoice.audio.clip_files import read_clip
from tablevoice.cell import Cell
from tablevoice.errors import AudioUnavailable, FileRefused, Problem
from tablevoice.evaluation.cases import UNCUT_S, NoiseChoice, plan
from tablevoice.evaluation.costing import measure_memory
from tablevoice.evaluation.fingerprint import cell_fingerprint
from tablevoice.evaluation.manifest import Recording, content_hash, read_manifest
from tablevoice.evaluation.outcomes import CaseResult, settle
from tablevoice.evaluation.phrases import phrases_of
from tablevoice.evaluation.results import SetupResults, count_setup, with_memory
from tablevoice.evaluation.running import Progress, carry_out
from tablevoice.evaluation.stimulus import MADE_NOISES, SHOP, long_level_dbfs
from tablevoice.evaluation.trial_file import TrialFile
from tablevoice.listening.second_opinion import Opinions
from tablevoice.nearest import advice

SETUPS: tuple[Opinions, ...] = ("grammar", "second_opinion", "both")
TRIALS_FILE = "trials.jsonl"
LOWEST_SNR_DB, HIGHEST_SNR_DB = -40.0, 80.0


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be measured.

    ``snrs_db``: ratios at which noise is mixed in; ``None`` among them, or none at all, is
    the recordings as they are. ``noises``: names of made noises or paths of sound files;
    shop noise when there are ratios and no names. ``workers``, ``dask``: see
    :func:`tablevoice.evaluation.running.carry_out`. ``memory``: measure it too, in a
    process of its own for each set-up.
    """

    manifest: Path
    out: Path
    setups: tuple[Opinions, ...] = ("both",)
    snrs_db: tuple[float | None, ...] = ()
    noises: tuple[str, ...] = ()
    workers: int | None = None
    dask: str | None = None
    memory: bool = True


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Everything that was found. ``results`` are those of each case, by set-up."""

    wish: Wish
    version: str
    cell_path: Path
    table: str
    cell_hash: str
    recordings: tuple[Recording, ...]
    noises: tuple[str, ...]
    setups: tuple[SetupResults, ...]
    results: tuple[tuple[CaseResult, ...], ...]


def evaluate(cell: Cell, wish: Wish, progress: Progress | None = None) -> Evaluation:
    """Measure. Trials are kept in ``wish.out`` as they come; a second run goes on from there.

    Raises FileRefused (manifest, noises, recordings), RecogniserUnavailable (a set-up that
    this cell cannot have, a missing word), StoreUnwritable, TablevoiceError (no cluster).
    """
    phrases = phrases_of(cell.phrasebook)
    recordings = read_manifest(wish.manifest, phrases.meanings)
    noises = choose_noises(wish.noises, wish.snrs_db)
    levels: dict[int, float] = {}
    if noises:
        for place, recording in enumerate(recordings):
            if recording.duration_s > UNCUT_S:
                levels[place] = long_level_dbfs(recording.path, recording.duration_s)
    cases = plan(recordings, noises, wish.snrs_db, levels)
    with TrialFile(wish.out / TRIALS_FILE) as kept:
        trials = carry_out(
            cell, cases, wish.setups, kept,
            workers=wish.workers, dask=wish.dask, progress=progress,
        )  # fmt: skip
    counted, results = [], []
    for place, setup in enumerate(wish.setups):
        settled = tuple(
            settle(case, found[place]) for case, found in zip(cases, trials, strict=True)
        )
        one = count_setup(setup, settled, recordings, phrases.holds)
        if wish.memory:
            one = with_memory(one, measure_memory(cell.path, setup, cases))
        counted.append(one)
        results.append(settled)
    return Evaluation(
        wish, __version__, cell.path, cell.table, cell_fingerprint(cell), recordings,
        tuple(noise.name for noise in noises), tuple(counted), tuple(results),
    )  # fmt: skip


def choose_noises(
    names: Sequence[str], snrs_db: Sequence[float | None]
) -> tuple[NoiseChoice, ...]:
    """Noises by name or file. Raises FileRefused listing every one that cannot be used."""
    wanted = [snr for snr in snrs_db if snr is not None]
    problems = [
        Problem(f"{snr:g} dB is no useful ratio.", "--snr",
                f"Use {LOWEST_SNR_DB:g} to {HIGHEST_SNR_DB:g}.")
        for snr in wanted
        if not LOWEST_SNR_DB <= snr <= HIGHEST_SNR_DB
    ]  # fmt: skip
    if names and not wanted:
        problems.append(
            Problem("a noise was named, but no ratio.", "--noise", "Add, for instance, --snr 10,5.")
        )
    choices: list[NoiseChoice] = []
    for name in dict.fromkeys(names or ((SHOP,) if wanted else ())):
        if name in MADE_NOISES:
            choices.append(NoiseChoice(name, made=True))
            continue
        path = Path(name)
        try:
            if not path.is_file():
                raise AudioUnavailable(
                    f"{name!r} is neither a sound file nor a noise that can be made.",
                    where="--noise", do=advice(name, MADE_NOISES),
                )  # fmt: skip
            if rms_dbfs(read_clip(path).samples) <= SILENCE_DBFS:
                raise AudioUnavailable(
                    "the noise file is silent.", where=name, do="Record the room while it works."
                )
            resolved = str(path.resolve())
            choices.append(NoiseChoice(path.stem, False, resolved, content_hash(path)))
        except AudioUnavailable as error:
            problems.append(error.problem)
        except OSError as error:
            problems.append(Problem(f"it cannot be read ({error.strerror or error}).", name))
    named = [choice.name for choice in choices]
    for name in sorted({name for name in named if named.count(name) > 1}):
        problems.append(
            Problem(f"two noises are called {name!r}.", "--noise", "Rename one of the files.")
        )
    if problems:
        raise FileRefused(problems)
    return tuple(choices)
