"""Fixtures of the guard's tests: peers, the watchers of stand-still, a short folder for sockets."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.guard.cell import (
    Block,
    LibmodbusBlock,
    PymodbusBlock,
    build_libmodbus_block,
    libmodbus_missing,
)
from tests.guard.stalls import Stalls


@pytest.fixture(scope="session")
def libmodbus_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    missing = libmodbus_missing()
    if missing:
        pytest.skip(missing)
    return build_libmodbus_block(tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture(scope="session")
def stalls(libmodbus_program: Path) -> Iterator[Stalls]:
    """A watcher on each core, for as long as reactions are measured."""
    with Stalls(libmodbus_program.parent) as watching:
        yield watching


@pytest.fixture
def pymodbus_block() -> Iterator[Block]:
    with PymodbusBlock() as made:
        yield made


@pytest.fixture
def libmodbus_block(libmodbus_program: Path) -> Iterator[Block]:
    """The faster peer, for what a late answer would spoil."""
    with LibmodbusBlock(libmodbus_program) as made:
        yield made


@pytest.fixture(params=["pymodbus", "libmodbus"])
def block(request: pytest.FixtureRequest) -> Iterator[Block]:
    """A peer by each of two implementations that are not ours."""
    made: Block
    if request.param == "pymodbus":
        made = PymodbusBlock()
    else:
        made = LibmodbusBlock(request.getfixturevalue("libmodbus_program"))
    with made:
        yield made


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
