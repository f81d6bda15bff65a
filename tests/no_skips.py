"""A pytest plug-in that lets no test be skipped where everything must be there.

Active with ``CI=true`` or ``TABLEVOICE_NO_SKIPS=1``; elsewhere it does nothing.
Loaded by ``scripts/test``.
"""

from __future__ import annotations

import os

import pytest


def nothing_may_be_skipped(environment: dict[str, str]) -> bool:
    """Whether this run must have every part that a test asks for."""
    return environment.get("CI") == "true" or environment.get("TABLEVOICE_NO_SKIPS") == "1"


def pytest_sessionfinish(session: pytest.Session) -> None:
    if not nothing_may_be_skipped(dict(os.environ)):
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    assert reporter is not None
    skipped = reporter.stats.get("skipped", [])
    if skipped:
        reporter.write_line("")
        reporter.write_line(f"Nothing may be skipped here, and {len(skipped)} were.", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
