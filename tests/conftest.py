"""What several rooms' tests need: the rule about skips, and a real sound path."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest

from tests.sound_path import INSTALL, SoundServer, missing_parts


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """With TABLEVOICE_NO_SKIPS=1 a test that skips has failed: nothing may be left out."""
    report = yield
    skipped = report.skipped and not hasattr(report, "wasxfail")
    if skipped and os.environ.get("TABLEVOICE_NO_SKIPS") == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} may not be skipped here: {reason}"
    return report


@pytest.fixture(scope="session")
def sound_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    """A running sound server of our own; skips where a system package for it is missing."""
    missing = missing_parts()
    if missing:
        pytest.skip(f"no sound path: {', '.join(missing)} missing; {INSTALL}")
    server = SoundServer(tmp_path_factory.mktemp("sound", numbered=True))
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def pulse_environment(sound_server: SoundServer) -> dict[str, str]:
    """Environment for child processes: what they play comes back at their microphone.

    PortAudio looks at the environment once, when ``sounddevice`` is imported, so the
    code under test runs in a child process started with this.
    """
    return sound_server.environment


@pytest.fixture(scope="session")
def tuned_here(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A cell file beside which the command line made a tuned file, and what it printed."""
    from tests.tuned_cell import made

    cell_file, done = made(tmp_path_factory.mktemp("tuned", numbered=True))
    assert done.exit_code == 0, done.output
    return cell_file, done.stdout


@pytest.fixture(scope="session")
def tuned(tuned_here: tuple[Path, str]) -> Path:
    """The cell file alone: read it, never change what lies beside it."""
    return tuned_here[0]
