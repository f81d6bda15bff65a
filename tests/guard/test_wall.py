"""The wall between the halves, the cautions at the door, and what the guard will not start on."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

from tablevoice.guard.cautions import CAUTIONS
from tests.guard.cell import (
    ROOT,
    WAIT_S,
    Block,
    GuardProcess,
    environment,
    one_block_file,
)


def test_the_wall_between_the_halves() -> None:
    """Start the guard's imports in a fresh process, and read everybody else's."""
    program = (
        "import sys, tablevoice.guard.cli, tablevoice.guard.reporter; "
        "print(sorted(n for n in sys.modules if n.split('.')[0] not in sys.stdlib_module_names))"
    )
    shown = subprocess.run(
        [sys.executable, "-c", program],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    loaded = set(ast.literal_eval(shown.stdout))
    foreign = {
        name
        for name in loaded
        if not name.startswith(("tablevoice.guard", "yaml", "_", "cython_runtime"))
    }
    assert foreign <= {"tablevoice", "sitecustomize", "usercustomize"}, foreign
    for file in (ROOT / "tablevoice").rglob("*.py"):
        inside = file.parent.name == "guard"
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
            for name in names:
                if name.startswith("tablevoice.guard"):
                    assert inside, f"{file} imports {name}"
                elif name.startswith("tablevoice") and name != "tablevoice":
                    assert not inside, f"{file} imports {name}"


def test_cautions_stand_where_they_cannot_be_missed(
    pymodbus_block: Block, short_path: Path
) -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "tablevoice.guard", "--help"],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    page = " ".join((ROOT / "tablevoice" / "guard" / "GUARD.md").read_text("utf-8").split())
    for caution in CAUTIONS:
        assert caution in shown
        assert caution in page
    for word in (
        "ISO 13849-1",
        "ISO 13850",
        "IEC 60204-1",
        "ISO 10218-1/-2",
        "ISO 12100",
        "lockout/tagout",
        "category 0",
        "category 2",
        "hard-wired",
    ):
        assert word in " ".join(CAUTIONS)
    block = pymodbus_block
    with (
        GuardProcess(one_block_file(short_path, block.port)) as guard,
        guard.connect() as connection,
        connection.makefile() as lines,
    ):
        first = json.loads(lines.readline())
        assert first == {"v": 1, "type": "cautions", "cautions": list(CAUTIONS)}


def test_a_bad_file_and_a_bad_state_folder_are_refused(short_path: Path) -> None:
    path = one_block_file(short_path, 1)
    for change, said in (
        (
            lambda: path.write_text(path.read_text().replace("debounce_ms", "debounc_ms")),
            "Did you mean `debounce_ms`?",
        ),
        (
            lambda: (one_block_file(short_path, 1), (short_path / "guard_state").write_text("x")),
            "state folder cannot be used",
        ),
    ):
        change()
        guard = GuardProcess(path)
        try:
            _, told = guard.process.communicate(timeout=WAIT_S)
        finally:
            guard.stop()
        assert guard.process.returncode == 2
        assert said in told
        assert "Traceback" not in told
