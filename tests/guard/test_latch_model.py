"""The latch's rule once more in Promela, searched exhaustively by ``spin``."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

MODEL = Path(__file__).with_name("latch.pml")


def search(folder: Path, *defines: str, model: str | None = None) -> str:
    """Build and run the verifier; its report."""
    (folder / "latch.pml").write_text(model or MODEL.read_text("utf-8"), encoding="utf-8")
    for command in (
        ["spin", "-a", *defines, "latch.pml"],
        ["gcc", "-O0", "-w", "-o", "pan", "pan.c"],
    ):
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return subprocess.run(
        ["./pan", "-m1000000", *(["-a"] if "-DCAN_ARM" in defines else [])],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    ).stdout


@pytest.fixture(autouse=True)
def _tools() -> None:
    if not (shutil.which("spin") and shutil.which("gcc")):
        pytest.skip("needs spin and gcc: apt-get install spin gcc")


@pytest.mark.parametrize("clears", ["0", "1"])
def test_no_path_breaks_the_promise(tmp_path: Path, clears: str) -> None:
    report = search(tmp_path, f"-DCLEARS={clears}")
    assert "errors: 0" in report
    assert "max search depth too small" not in report
    states = re.search(r"(\d+) states, stored", report)
    assert states is not None
    assert int(states[1]) > 500


def test_the_model_can_arm(tmp_path: Path) -> None:
    assert "errors: 1" in search(tmp_path, "-DCAN_ARM")


@pytest.mark.parametrize(
    ("sound", "broken"),
    [
        ("closed_age >= raw_age + DEBOUNCE", "1"),  # a press from before counts
        ("before_contact == REST && contact", "before_contact != PRESSED && contact"),  # no rest
        ("-> by_itself = was_resting", "-> by_itself = 1"),  # the reset rule left out
        ("unwatched || stop != CLOSED -> latched = TRIP", "unwatched -> latched = TRIP"),
    ],
)
def test_a_broken_rule_is_found(tmp_path: Path, sound: str, broken: str) -> None:
    """The assertions can fail: each of these mistakes in the model is caught."""
    model = MODEL.read_text("utf-8")
    assert model.count(sound) == 1
    assert "errors: 1" in search(tmp_path, "-DCLEARS=1", model=model.replace(sound, broken))
