"""A short folder for sockets, shared with the guard's tests."""

from __future__ import annotations

from tests.guard.conftest import short_path

__all__ = ["short_path"]
