"""Fixtures of the guard's tests: the C peer, built once; a short folder for sockets."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.guard.cell import build_libmodbus_block, libmodbus_missing


@pytest.fixture(scope="session")
def libmodbus_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    missing = libmodbus_missing()
    if missing:
        pytest.skip(missing)
    return build_libmodbus_block(tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture
def short_path() -> Iterator[Path]:
    """A folder whose name leaves room for a socket's (a Unix socket path has 107 bytes at most)."""
    folder = Path(tempfile.mkdtemp(prefix="tv"))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="module")
def short_module_path() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="tv"))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)
