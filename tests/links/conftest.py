"""Brokers and their certificates, for the tests of links."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tablevoice.model import Phrasebook
from tablevoice.phrasebook import load_phrasebook
from tests.links.broker import Broker, Certificates
from tests.soundless import BOOK


@pytest.fixture(scope="session")
def book(tmp_path_factory: pytest.TempPathFactory) -> Phrasebook:
    path = tmp_path_factory.mktemp("book") / "bench.yaml"
    path.write_text(BOOK, encoding="utf-8")
    return load_phrasebook([path])


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker") as running:
        yield running


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))
