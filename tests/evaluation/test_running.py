"""Whole measurements with the real ear: the same figures however many work, and after a kill."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tablevoice.cell import load_cell
from tablevoice.errors import FileRefused, TablevoiceError
from tablevoice.evaluation.fingerprint import cell_fingerprint
from tablevoice.evaluation.instrument import TRIALS_FILE, Evaluation, Wish, evaluate
from tablevoice.evaluation.report_folder import results_json
from tablevoice.evaluation.trial_file import TrialFile
from tablevoice.evaluation.working import work
from tests.evaluation.recordings import CELL, small_set

PATIENCE_S = 120.0
FOLDER = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_set(tmp_path_factory.mktemp("set"))


def wish(manifest: Path, out: Path, **wishes: Any) -> Wish:
    return Wish(manifest, out, ("grammar",), (None, 5.0), memory=False, **wishes)


@pytest.fixture(scope="module")
def alone(manifest: Path, tmp_path_factory: pytest.TempPathFactory) -> Evaluation:
    """What one worker finds without an interruption."""
    out = tmp_path_factory.mktemp("alone")
    return evaluate(load_cell(CELL), wish(manifest, out, workers=1))


def figures(evaluation: Evaluation) -> str:
    """Everything that was found, the processor's time apart."""

    def timeless(value: Any, name: str = "") -> Any:
        if isinstance(value, dict):
            return {key: timeless(inner, key) for key, inner in value.items()}
        if isinstance(value, list):
            return [timeless(inner, name) for inner in value]
        if name.endswith("_ms") and isinstance(value, float):
            return round(value / 200.0)  # the stream's part is the same, the computing is not
        return None if name in ("computing_s", "times_real_time") else value

    return json.dumps(timeless(results_json(evaluation)), indent=1, sort_keys=True)


def verdicts(evaluation: Evaluation) -> list[tuple[Any, ...]]:
    return [
        (one.setup, one.case.key(), one.words[0].outcome if one.words else None,
         [(word.probability, word.settled_by and word.settled_by.at_s) for word in one.words],
         one.outside and (one.outside.outcome, one.outside.probability), one.verdicts)
        for results in evaluation.results
        for one in results
    ]  # fmt: skip


def test_words_are_heard_and_counted(alone: Evaluation) -> None:
    (found,) = alone.setups
    assert found.overall.words.right.of == 2 * 3
    assert found.overall.outside.quiet.of == 2
    assert found.overall.words.right.count >= 2
    assert [group.words.right.of for group in found.by_condition] == [3, 3]
    assert sorted(group.name for group in found.by_speaker) == ["first", "second"]
    assert found.cost.times_real_time is not None
    assert 0.0 < found.cost.times_real_time < 1.0
    late = found.overall.words.latency.p50_ms
    assert late is not None
    assert 100.0 < late < 1500.0


def test_more_workers_find_the_same_in_the_same_order(
    manifest: Path, alone: Evaluation, tmp_path: Path
) -> None:
    told: list[tuple[int, int]] = []
    found = evaluate(
        load_cell(CELL), wish(manifest, tmp_path, workers=2), lambda *step: told.append(step)
    )
    assert verdicts(found) == verdicts(alone)
    assert figures(found) == figures(alone)
    assert told[0] == (0, 8)
    assert told[-1] == (8, 8)


def test_a_second_run_hears_nothing_again(manifest: Path, alone: Evaluation) -> None:
    told: list[tuple[int, int]] = []
    again = evaluate(load_cell(CELL), alone.wish, lambda *step: told.append(step))
    assert told == [(8, 8)]
    assert results_json(again) == results_json(alone)


def test_a_killed_run_goes_on_with_the_same_figures(
    manifest: Path, alone: Evaluation, tmp_path: Path
) -> None:
    command = [sys.executable, "-m", "tablevoice", "evaluate", str(manifest), "--cell", str(CELL),
               "--out", str(tmp_path), "--compare", "grammar", "--snr", "clean,5",
               "--workers", "1"]  # fmt: skip
    process = subprocess.Popen(command, cwd=FOLDER, stderr=subprocess.PIPE, text=True)
    trials = tmp_path / TRIALS_FILE
    try:
        deadline_s = time.monotonic() + PATIENCE_S
        while not trials.exists() or not trials.stat().st_size:
            assert process.poll() is None, process.stderr and process.stderr.read()
            assert time.monotonic() < deadline_s
            time.sleep(0.02)
        workers = children(process.pid)
    finally:
        process.kill()
        process.communicate(timeout=PATIENCE_S)
    kept = trials.read_bytes()
    assert 0 < kept.count(b"\n") < 8
    # The workers go too, so that nothing is left running.
    deadline_s = time.monotonic() + PATIENCE_S
    while any(running(worker) for worker in workers):
        assert time.monotonic() < deadline_s
        time.sleep(0.05)
    # What a power cut leaves: half a line.
    trials.write_bytes(kept + kept[: kept.index(b"\n") // 2])
    told: list[tuple[int, int]] = []
    found = evaluate(
        load_cell(CELL), wish(manifest, tmp_path, workers=2), lambda *step: told.append(step)
    )
    assert told[0] == (kept.count(b"\n"), 8)
    assert verdicts(found) == verdicts(alone)
    assert figures(found) == figures(alone)


def children(process: int) -> list[int]:
    import psutil

    return [child.pid for child in psutil.Process(process).children(recursive=True)]


def running(process: int) -> bool:
    import psutil

    try:
        return bool(psutil.Process(process).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def test_a_damaged_line_in_the_middle_is_tried_again(alone: Evaluation, tmp_path: Path) -> None:
    lines = (alone.wish.out / TRIALS_FILE).read_bytes().splitlines(keepends=True)
    path = tmp_path / TRIALS_FILE
    path.write_bytes(b"".join((lines[0], lines[1][:40] + b"\n", b"[]\n", *lines[2:])))
    with TrialFile(path) as kept:
        assert len(kept.kept) == 7
        assert kept.unreadable == 2


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_full_disk_is_told_and_what_was_kept_stays(alone: Evaluation, tmp_path: Path) -> None:
    import resource

    with TrialFile(alone.wish.out / TRIALS_FILE) as kept:
        trial = next(iter(kept.kept.values()))
    with TrialFile(tmp_path / TRIALS_FILE) as full:
        full.add(trial)
    size = (tmp_path / TRIALS_FILE).stat().st_size
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    full = TrialFile(tmp_path / TRIALS_FILE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 10, limits[1]))
    try:
        with pytest.raises(TablevoiceError, match="cannot be kept"), full:
            full.add(trial)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    with TrialFile(tmp_path / TRIALS_FILE) as again:
        assert list(again.kept) == [trial.key]


def test_a_worker_of_another_version_is_told() -> None:
    with pytest.raises(TablevoiceError, match="another version"):
        work(str(CELL), "0" * 24, [])


def test_what_a_worker_cannot_read_survives_the_way_back(tmp_path: Path) -> None:
    import pickle

    with pytest.raises(TablevoiceError) as caught:
        work(str(tmp_path / "gone.yaml"), "0" * 24, [])
    assert "gone.yaml" in str(pickle.loads(pickle.dumps(caught.value)))


def test_what_listening_depends_on_changes_the_name_of_a_trial() -> None:
    cell = load_cell(CELL)
    softer = replace(cell, listening=replace(cell.listening, act_above=0.7))
    renamed = replace(cell, table="another", keep_audio_days=3)
    assert cell_fingerprint(softer) != cell_fingerprint(cell)
    assert cell_fingerprint(renamed) == cell_fingerprint(cell)


def test_a_recording_that_goes_bad_is_told_and_the_others_are_kept(tmp_path: Path) -> None:
    manifest = small_set(tmp_path, ("teal", "garage"))
    cell = load_cell(CELL)
    one = Wish(manifest, tmp_path / "out", ("grammar",), workers=1, memory=False)
    whole = (tmp_path / "garage.wav").read_bytes()
    (tmp_path / "garage.wav").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(FileRefused, match=r"garage\.wav.*cut off"):
        evaluate(cell, one)
    with TrialFile(tmp_path / "out" / TRIALS_FILE) as kept:
        assert len(kept.kept) == 1


@pytest.fixture
def cluster() -> Iterator[str]:
    """A real scheduler and two real workers; the address."""
    environment = {**os.environ, "PYTHONPATH": str(FOLDER)}
    processes = []

    def start(*words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words], cwd=FOLDER, env=environment,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        processes.append(process)
        return process

    try:
        scheduler = start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        assert scheduler.stderr is not None
        address = ""
        for line in scheduler.stderr:
            if "Scheduler at:" in line:
                address = line.split("Scheduler at:", 1)[1].strip()
                break
        assert address.startswith("tcp://127.0.0.1:")
        for _ in range(2):
            start("worker", address, "--nthreads", "1", "--host", "127.0.0.1", "--no-dashboard",
                  "--memory-limit", "0")  # fmt: skip
        distributed: Any = pytest.importorskip("distributed")
        with distributed.Client(address) as client:
            client.wait_for_workers(2, timeout=PATIENCE_S)
        yield address
    finally:
        for process in reversed(processes):
            process.send_signal(signal.SIGTERM)
        for process in processes:
            try:
                process.communicate(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.communicate()


def test_a_dask_cluster_finds_the_same(
    manifest: Path, alone: Evaluation, tmp_path: Path, cluster: str
) -> None:
    found = evaluate(load_cell(CELL), wish(manifest, tmp_path, dask=cluster))
    assert verdicts(found) == verdicts(alone)
    assert figures(found) == figures(alone)


def test_a_cluster_that_is_not_there_is_told(manifest: Path, tmp_path: Path) -> None:
    with pytest.raises(TablevoiceError, match="no Dask scheduler answers"):
        evaluate(load_cell(CELL), wish(manifest, tmp_path, dask="tcp://127.0.0.1:9"))
