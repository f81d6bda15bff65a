"""One real engine for all speech tests that do not harm it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tablevoice.speech.engines import Engine


@pytest.fixture(scope="session")
def engine() -> Iterator[Engine]:
    with Engine() as shared:
        yield shared
