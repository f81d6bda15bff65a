"""The memory that is told is the measured process's own, not that of who started it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import psutil

from tablevoice.evaluation.cases import plan
from tablevoice.evaluation.costing import measure_memory, peak_resident_mb
from tablevoice.evaluation.manifest import read_manifest
from tests.evaluation.recordings import CELL, MEANINGS, small_set


def test_the_peak_is_no_less_than_what_is_resident_now() -> None:
    ballast = np.ones(20_000_000)  # 160 MB, touched
    now_mb = psutil.Process().memory_info().rss / 1e6
    assert peak_resident_mb() >= now_mb * 0.98
    assert ballast[0] == 1.0


def test_a_large_parent_does_not_count(tmp_path: Path) -> None:
    manifest = small_set(tmp_path, ("teal",))
    cases = plan(read_manifest(manifest, MEANINGS), (), (), {})
    ballast = np.ones(100_000_000)  # 800 MB
    found = measure_memory(CELL, "grammar", cases)
    assert 20.0 < found.before_mb < found.peak_mb < 700.0
    assert len(ballast) == 100_000_000
