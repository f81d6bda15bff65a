"""Lets a machine table talk and listen.

The names that a program of yours needs stand here; everything else is found by
the room it lives in (see DEVELOPERS.md). Importing this package opens no device,
reads no file and starts no thread.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tablevoice.errors import MessageRefused, TablevoiceError
    from tablevoice.linking import open_table
    from tablevoice.session import Session
    from tablevoice.table_thread import TableThread

# ONNX Runtime from 1.29 on reports to its maker from Linux and macOS: the computer, a lasting
# number for it, the networks it opens. Read once, when it is first imported, here or in a child
# process, so it has to stand before anything else can import it; its call to turn the reports
# off comes too late. Nothing leaves this computer but what the cell file says.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"

__version__ = "0.1.0"

__all__ = [
    "MessageRefused", "Session", "TableThread", "TablevoiceError", "__version__", "open_table",
]


def __getattr__(name: str) -> Any:
    # Loaded when first asked for: whoever needs only a part is spared the sound libraries.
    if name == "open_table":
        from tablevoice import linking

        return linking.open_table
    if name == "TableThread":
        from tablevoice import table_thread

        return table_thread.TableThread
    if name == "Session":
        from tablevoice import session

        return session.Session
    if name in ("MessageRefused", "TablevoiceError"):
        from tablevoice import errors

        return getattr(errors, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
