"""Lets a machine table talk and listen.

The names that a program of yours needs stand here; everything else is found by
the room it lives in (see DEVELOPERS.md). Importing this package opens no device,
reads no file and starts no thread.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tablevoice.errors import MessageRefused, TablevoiceError
    from tablevoice.linking import open_table
    from tablevoice.session import Session

__version__ = "0.1.0"

__all__ = ["MessageRefused", "Session", "TablevoiceError", "__version__", "open_table"]


def __getattr__(name: str) -> Any:
    # Loaded when first asked for: whoever needs only a part is spared the sound libraries.
    if name == "open_table":
        from tablevoice import linking

        return linking.open_table
    if name == "Session":
        from tablevoice import session

        return session.Session
    if name in ("MessageRefused", "TablevoiceError"):
        from tablevoice import errors

        return getattr(errors, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
