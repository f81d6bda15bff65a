"""Where the espeak-ng library and its data are, and how pyttsx3 comes to find them.

Knows the wheel that carries both (``espeakng_loader``) and the fall-back to a library
installed on the system. Called by the engine's child process, and by the benchmark
that compares with a plain pyttsx3 call; renders nothing itself.
"""

from __future__ import annotations

import ctypes
import importlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

DATA_VARIABLE = "ESPEAK_DATA_PATH"
"""Environment variable that espeak-ng reads for the folder holding its voices."""


def wheel_library() -> Path | None:
    """The wheel's library file, or ``None`` when it is absent or does not load here."""
    path = wheel_path()
    if path is None:
        return None
    try:
        ctypes.CDLL(str(path))
    except OSError:
        return None
    return path


def wheel_path() -> Path | None:
    """Where the wheel's library file is, loading nothing; ``None`` when the wheel is absent."""
    try:
        loader = importlib.import_module("espeakng_loader")
        path = Path(loader.get_library_path())
        Path(loader.get_data_path())  # raises RuntimeError when the data folder is missing
    except (ImportError, RuntimeError):
        return None
    return path


def wheel_data() -> Path:
    """Folder of the wheel's voice data; only to be asked for when the library was found."""
    loader = importlib.import_module("espeakng_loader")
    return Path(loader.get_data_path())


def make_findable() -> str:
    """Let ``pyttsx3.drivers._espeak`` load the wheel's library; say which one was taken.

    Returns ``"wheel"`` or ``"system"``. Raises ``ImportError``, ``OSError`` or
    ``RuntimeError`` when neither is usable. To be called once, before
    ``pyttsx3.init("espeak")``.
    """
    library = wheel_library()
    if library is None:
        importlib.import_module("pyttsx3.drivers._espeak")
        return "system"
    os.environ[DATA_VARIABLE] = str(wheel_data())
    with _loaded_instead(library):
        importlib.import_module("pyttsx3.drivers._espeak")
    return "wheel"


@contextmanager
def _loaded_instead(library: Path) -> Iterator[None]:
    # pyttsx3 tries a fixed list of paths, none of which names the wheel's file on
    # Windows or macOS. On Linux a preload under the same soname would do; one way for
    # all systems is the one that the tests on Linux cover for the others too.
    original = ctypes.cdll.LoadLibrary

    def load(name: str) -> ctypes.CDLL:
        return original(str(library) if "espeak" in name.lower() else name)

    ctypes.cdll.LoadLibrary = load  # type: ignore[method-assign]
    try:
        yield
    finally:
        ctypes.cdll.LoadLibrary = original  # type: ignore[method-assign]
