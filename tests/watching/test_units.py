"""The units in examples/, read as systemd reads them: by Debian's systemd-analyze.

``verify`` finds wrong names and values; ``security`` sums up what a service could do to its
computer, from 0 (nothing) to 10.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tablevoice.guard import sign_of_life as of_guard
from tablevoice.watching.health import EAR_HUNG_S, LOOP_HUNG_S
from tablevoice.watching.sign_of_life import STARTING_FOR_S, SignOfLife

UNITS = Path(__file__).parents[2] / "examples" / "guard"
NAMES = ("tablevoice-guard.service", "tablevoice-table.service")

MOST_EXPOSED = 2.5
"""systemd calls up to 3.9 "OK"; what a sound card and a network need keeps it above 0."""


def settings(name: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (UNITS / name).read_text("utf-8").splitlines():
        if "=" in line and not line.startswith(("#", "[")):
            key, value = line.split("=", 1)
            found.setdefault(key, []).append(value)
    return found


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The units with a program that is there, since verify looks for it."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze: apt-get install systemd")
    for name in NAMES:
        text = (UNITS / name).read_text("utf-8")
        text = re.sub(r"^ExecStart=\S+", f"ExecStart={sys.executable}", text, flags=re.MULTILINE)
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_systemd_finds_nothing_wrong_with_them(installed: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", *(f"./{name}" for name in NAMES)],
        cwd=installed, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_the_check_finds_a_misspelt_setting(installed: Path) -> None:
    unit = installed / NAMES[0]
    unit.write_text(unit.read_text("utf-8").replace("WatchdogSec", "WatchDogSecs"))
    done = subprocess.run(
        ["systemd-analyze", "verify", f"./{NAMES[0]}"],
        cwd=installed, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert "WatchDogSecs" in done.stderr


@pytest.mark.parametrize("name", NAMES)
def test_they_are_closed_down(installed: Path, name: str) -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--json=short", f"./{name}"],
        cwd=installed, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    open_ways = [row for row in json.loads(done.stdout) if row["exposure"] is not None]
    exposed = re.search(
        r"exposure level for \S+: ([0-9.]+)",
        subprocess.run(
            ["systemd-analyze", "security", "--offline=true", "--no-pager", f"./{name}"],
            cwd=installed, capture_output=True, text=True, check=True, timeout=60,
        ).stdout,
    )  # fmt: skip
    assert exposed is not None
    assert 0.0 < float(exposed[1]) <= MOST_EXPOSED, open_ways


@pytest.mark.parametrize("name", NAMES)
def test_they_are_watched_and_come_back_for_ever(name: str) -> None:
    unit = settings(name)
    assert unit["Type"] == ["notify"]
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert unit["LimitCORE"] == ["0"]  # a core file would hold what people said
    assert unit["UMask"] == ["0077"]


def test_the_guard_does_not_depend_on_the_talking_half() -> None:
    guard = settings(NAMES[0])
    assert not any("tablevoice-table" in value for values in guard.values() for value in values)
    assert settings(NAMES[1])["KillMode"] == ["process"]


def test_the_kernel_keeps_the_talking_half_on_this_computer() -> None:
    unit = settings(NAMES[1])
    assert unit["IPAddressDeny"] == ["any"]
    assert unit["IPAddressAllow"] == ["localhost"]


def test_times_fit_each_other() -> None:
    """Signs of life come at less than half of what is allowed; hangs are seen before it ends."""
    table = settings(NAMES[1])
    allowed_s = float(table["WatchdogSec"][0])
    watched = {"NOTIFY_SOCKET": "/run/s", "WATCHDOG_USEC": f"{round(allowed_s * 1e6)}"}
    ping_s = SignOfLife.of(dict(watched)).ping_every_s
    assert ping_s is not None
    assert ping_s < allowed_s / 2
    assert max(LOOP_HUNG_S, EAR_HUNG_S) + ping_s < allowed_s
    assert float(table["TimeoutStartSec"][0]) > STARTING_FOR_S
    guard_s = float(settings(NAMES[0])["WatchdogSec"][0])
    watched["WATCHDOG_USEC"] = f"{round(guard_s * 1e6)}"
    assert of_guard.SignOfLife.of(watched)._every_ns < guard_s * 1e9 / 2
