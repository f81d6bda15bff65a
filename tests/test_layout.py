"""The shape of the project: where things lie, which way imports go, what may not be said.

Reads the source as text; runs nothing of the package but the tools that check it.
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tablevoice import shipped
from tablevoice.errors import FileRefused

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("phrasebook", "speech", "listening", "dialogue", "links", "audio", "acoustics")
LONGEST_MODULE_LINES = 500
VAGUE_NAMES = re.compile(r"(^|_)(utils?|helpers?|managers?|common|misc|stuff)($|_)")

# Made by the tools, or not ours to check.
NOT_SOURCE = {
    ".git", ".gl", ".venv", "build", "dist", "demo_out", "__pycache__",
    ".pytest_cache", ".mypy_cache", ".ruff_cache", ".hypothesis", ".import_linter_cache",
}  # fmt: skip
TEXT_ENDINGS = {"", ".py", ".md", ".toml", ".txt", ".in", ".yaml", ".yml", ".json", ".jsonl",
                ".vtt", ".cfg", ".typed"}  # fmt: skip

# Put together from halves, so that this file does not find itself.
FORBIDDEN_WORDS = tuple(
    "".join(halves)
    for halves in (
        ("pypi", ".org"),
        ("pythonhosted", ".org"),
        ("deb.debian", ".org"),
        ("security.debian", ".org"),
        ("/ho", "me/"),
        ("/ro", "ot/"),
        ("/wo", "rk/"),
        ("/opt/", "pypi"),
        ("/opt/", "wheels"),
    )
)


def project_files() -> list[Path]:
    """Every file of the project itself; works without git."""
    found: list[Path] = []
    for folder, names, files in os.walk(ROOT):
        names[:] = sorted(
            name for name in names if name not in NOT_SOURCE and not name.endswith(".egg-info")
        )
        found += [Path(folder, name) for name in sorted(files)]
    return found


def modules() -> list[Path]:
    """The modules of the package and its tests."""
    return [
        path
        for path in project_files()
        if path.suffix == ".py" and path.relative_to(ROOT).parts[0] in {"tablevoice", "tests"}
    ]


def names_of(paths: list[Path]) -> list[str]:
    return [path.relative_to(ROOT).as_posix() for path in paths]


@pytest.mark.parametrize(
    "name",
    [
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "LICENSE",
        "Makefile",
        "pyproject.toml",
        ".ci/run",
        "scripts/setup",
        "scripts/check",
        "scripts/test",
        "scripts/lock",
        "requirements/run.lock.txt",
        "requirements/test.lock.txt",
        "tablevoice/py.typed",
        *(f"tablevoice/{room}/__init__.py" for room in ROOMS),
    ],
)
def test_the_files_that_a_newcomer_looks_for_are_there(name: str) -> None:
    assert (ROOT / name).is_file()


@pytest.mark.parametrize(
    "folder", ["phrasebooks", "tests", "audio_fixtures", "examples", "benchmarks"]
)
def test_the_folders_that_a_newcomer_looks_for_are_filled(folder: str) -> None:
    assert any((ROOT / folder).iterdir())


def test_every_module_opens_with_a_docstring() -> None:
    without = [
        path
        for path in modules()
        if path.read_text("utf-8").strip()
        and not ast.get_docstring(ast.parse(path.read_text("utf-8")))
    ]
    assert names_of(without) == []


def test_no_module_has_a_name_that_says_nothing() -> None:
    vague = [
        path
        for path in modules()
        if any(VAGUE_NAMES.search(part) for part in path.relative_to(ROOT).with_suffix("").parts)
    ]
    assert names_of(vague) == []


def test_a_module_fits_on_a_few_screens() -> None:
    long = {
        path.relative_to(ROOT).as_posix(): lines
        for path in modules()
        if (lines := len(path.read_text("utf-8").splitlines())) > LONGEST_MODULE_LINES
    }
    assert long == {}


def test_no_text_names_a_registry_host_or_a_folder_of_a_machine() -> None:
    findings: list[str] = []
    for path in project_files():
        if path.suffix not in TEXT_ENDINGS:
            continue
        for number, line in enumerate(path.read_text("utf-8").splitlines(), start=1):
            findings += [
                f"{path.relative_to(ROOT).as_posix()}:{number}: {word}"
                for word in FORBIDDEN_WORDS
                if word in line
            ]
    assert findings == []


def test_the_locks_pin_each_package_with_a_hash_and_the_test_lock_contains_the_run_lock() -> None:
    pins: dict[str, set[str]] = {}
    for kind in ("run", "test"):
        text = (ROOT / f"requirements/{kind}.lock.txt").read_text("utf-8")
        entries = re.split(r"\n(?=[A-Za-z0-9])", text.replace("\\\n", ""))
        entries = [entry for entry in entries if not entry.startswith("#")]
        unhashed = [entry.split(";")[0] for entry in entries if "--hash=sha256:" not in entry]
        assert unhashed == []
        pins[kind] = {entry.split(" ")[0] for entry in entries}
        assert all("==" in pin for pin in pins[kind])
    assert len(pins["run"]) > 20
    assert pins["run"] <= pins["test"]


def test_the_licence_is_the_one_that_the_package_declares() -> None:
    text = (ROOT / "LICENSE").read_text("utf-8")
    assert "Apache License" in text
    assert "Version 2.0, January 2004" in text
    assert "END OF TERMS AND CONDITIONS" in text
    assert 'license = "Apache-2.0"' in (ROOT / "pyproject.toml").read_text("utf-8")


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as main; main()",
         "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )  # fmt: skip


def test_imports_follow_the_arrows() -> None:
    done = lint_imports(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("importer", "imported"),
    [("links", "speech"), ("guard", "model"), ("dialogue", "guard"), ("audio", "session")],
)
def test_an_import_against_the_arrows_is_found(
    tmp_path: Path, importer: str, imported: str
) -> None:
    (tmp_path / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    package = tmp_path / "tablevoice"
    for room in {*ROOMS, "guard", "session", "model", "errors"}:
        (package / room).mkdir(parents=True)
        (package / room / "__init__.py").touch()
    (package / "__init__.py").touch()
    assert lint_imports(tmp_path).returncode == 0
    (package / importer / "__init__.py").write_text(f"import tablevoice.{imported}\n", "utf-8")
    done = lint_imports(tmp_path)
    assert done.returncode == 1
    assert f"tablevoice.{importer} -> tablevoice.{imported}" in done.stdout


def test_the_wheel_carries_the_phrasebooks_and_the_types(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation",
         "--no-index", "--wheel-dir", str(tmp_path), str(ROOT)],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = tmp_path.glob("tablevoice-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        inside = set(archive.namelist())
    books = {path.name for path in (ROOT / "phrasebooks").glob("*.yaml")}
    assert books
    assert {f"tablevoice/_phrasebooks/{name}" for name in books} <= inside
    models = {path.name for path in (ROOT / "tablevoice" / "listening" / "models").iterdir()}
    assert {"encoder.onnx", "speller.onnx", "vocabulary.npz"} <= models
    assert {f"tablevoice/listening/models/{name}" for name in models} <= inside
    assert "tablevoice/py.typed" in inside
    assert any(name.endswith("/licenses/LICENSE") for name in inside)
    assert not any(name.startswith("tests/") for name in inside)


def test_a_shipped_file_is_found_by_name() -> None:
    for path in (ROOT / "phrasebooks").glob("*.yaml"):
        assert shipped.shipped(path.name).read_bytes() == path.read_bytes()


@pytest.mark.parametrize("name", ["no_such_book.yaml", "../pyproject.toml", ""])
def test_a_file_that_is_not_shipped_is_refused_with_the_names_that_are(name: str) -> None:
    with pytest.raises(FileRefused, match=r"There are: .*\.yaml"):
        shipped.shipped(name)
