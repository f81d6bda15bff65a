"""Where the phrasebooks that come with the package lie on this computer.

Knows the two places: beside the package in a checkout, inside it once installed.
Does not read them. Called by the command line, the demo and the tests.
"""

from __future__ import annotations

from pathlib import Path

from tablevoice.errors import FileRefused, Problem

_PACKAGE = Path(__file__).resolve().parent
_INSTALLED = _PACKAGE / "_phrasebooks"
_CHECKOUT = _PACKAGE.parent / "phrasebooks"


def shipped_folder() -> Path:
    """The folder of the phrasebooks and cell files that come with the package.

    Raises :class:`FileRefused` when the installation lacks it.
    """
    for folder in (_INSTALLED, _CHECKOUT):
        if folder.is_dir():
            return folder
    raise FileRefused(
        [
            Problem(
                "The phrasebooks that come with tablevoice are missing.",
                str(_INSTALLED),
                "Install tablevoice again.",
            )
        ]
    )


def shipped(name: str) -> Path:
    """The path of the shipped file called ``name``, such as ``lantern_strings.yaml``.

    Raises :class:`FileRefused`, naming the files that do exist, when there is none.
    """
    folder = shipped_folder()
    path = folder / name
    if path.is_file() and path.resolve().is_relative_to(folder.resolve()):
        return path
    known = sorted(entry.name for entry in folder.iterdir() if entry.is_file())
    raise FileRefused(
        [
            Problem(
                f"No file called {name!r} comes with tablevoice.",
                str(folder),
                f"There are: {', '.join(known) or 'none'}.",
            )
        ]
    )
