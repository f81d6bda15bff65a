"""``python -m tablevoice``: the same as the ``tablevoice`` command."""

from tablevoice.cli import app

if __name__ == "__main__":
    app(prog_name="tablevoice")
