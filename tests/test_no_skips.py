"""The rule about skips holds: with TABLEVOICE_NO_SKIPS=1 a skip is a failure."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

SKIPPING = """
import pytest

def test_passes():
    pass

def test_skips():
    pytest.skip("libsomething2 is missing")

@pytest.fixture
def part():
    pytest.skip("libother3 is missing")

def test_has_no_part(part):
    pass

@pytest.mark.skip(reason="marked")
def test_is_marked():
    pass
"""


@pytest.mark.parametrize("forbidden", [False, True])
def test_a_skip_fails_where_nothing_may_be_skipped(tmp_path: Path, forbidden: bool) -> None:
    (tmp_path / "test_skipping.py").write_text(SKIPPING)
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    environment.pop("TABLEVOICE_NO_SKIPS", None)
    if forbidden:
        environment["TABLEVOICE_NO_SKIPS"] = "1"
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pytest", "-q", "-p", "tests.conftest"),
            *(
                "-p",
                "no:cacheprovider",
                "-p",
                "no:hypothesispytest",
                "--rootdir",
                str(tmp_path),
                str(tmp_path),
            ),
        ],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    if forbidden:
        assert done.returncode == 1, done.stdout
        assert "1 failed, 1 passed, 2 errors" in done.stdout
        assert "libsomething2 is missing" in done.stdout
        assert "libother3 is missing" in done.stdout
    else:
        assert done.returncode == 0, done.stdout
        assert "1 passed, 3 skipped" in done.stdout
