"""``make audit`` reports weaknesses, and takes no silence for praise.

pip-audit's JSON is as its documentation shows it ("pip-audit --format json", with
``dependencies``, ``vulns``, ``skip_reason``; checked against version 2.10).
"""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]

FINE = {"name": "structlog", "version": "26.1.0", "vulns": []}
WEAK = {
    "name": "flask", "version": "0.5",
    "vulns": [{"id": "PYSEC-2019-179", "fix_versions": ["1.0"], "aliases": ["CVE-2019-1010083"],
               "description": "Unexpected memory usage.\nThe impact is\n denial of service."}],
}  # fmt: skip
SKIPPED = {"name": "ours", "skip_reason": "Dependency not found and could not be audited"}


@pytest.fixture
def audit(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("audit", ROOT / "scripts" / "audit.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "audit", module)
    spec.loader.exec_module(module)
    return module


def stand_in(folder: Path, **by_service: Any) -> list[str]:
    """A program in pip-audit's place: for each service its JSON, or how it fails."""
    program = folder / "pip_audit.py"
    program.write_text(
        "import json, sys\n"
        f"answers = json.loads({json.dumps(by_service)!r})\n"
        "answer = answers[sys.argv[sys.argv.index('--vulnerability-service') + 1]]\n"
        "assert '--require-hashes' in sys.argv and sys.argv[-1] == 'json'\n"
        "if isinstance(answer, str):\n"
        "    sys.exit('Traceback ...\\n' + answer)\n"
        "print(json.dumps({'dependencies': answer, 'fixes': []}))\n"
        "sys.exit(any(one.get('vulns') for one in answer))\n"
    )
    return [sys.executable, str(program)]


UNREACHABLE = "ConnectionError: Failed to resolve 'api.example'"

CASES: dict[str, tuple[dict[str, Any], int, str]] = {
    "all fine": ({"osv": [FINE]}, 0, "1 packages looked up with 'osv', 0 weaknesses"),
    "a weakness": ({"osv": [FINE, WEAK]}, 1, "flask 0.5: PYSEC-2019-179, fixed in 1.0. Unexpected"),
    "the second service": ({"osv": UNREACHABLE, "pypi": [FINE]}, 0, "looked up with 'pypi'"),
    "nobody answers": ({"osv": UNREACHABLE, "pypi": UNREACHABLE}, 2, "was NOT audited"),
    "all skipped": ({"osv": UNREACHABLE, "pypi": [SKIPPED]}, 2, "was NOT audited"),
    "one skipped": ({"osv": [FINE, SKIPPED]}, 2, "not looked up: ours: Dependency not found"),
    "one weak, one skipped": ({"osv": [WEAK, SKIPPED]}, 1, "PYSEC-2019-179"),
}


@pytest.mark.parametrize(("answers", "status", "said"), CASES.values(), ids=CASES.keys())
def test_the_exit_status_tells_fine_weak_and_not_looked_up(
    audit: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    answers: dict[str, Any], status: int, said: str,
) -> None:  # fmt: skip
    assert audit.main(stand_in(tmp_path, **answers)) == status
    told = capsys.readouterr()
    assert said in told.out + told.err


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"dependencies": [{"name": "x"}]}', "null"])
def test_what_is_no_answer_is_taken_for_none(audit: ModuleType, text: str) -> None:
    assert audit.read_answer(text) is None


def test_the_larger_lock_is_audited_and_contains_the_smaller(audit: ModuleType) -> None:
    """That it does is held to in ``tests/test_layout.py``, with the hashes of both."""
    assert [lock.name for lock in audit.LOCKS] == ["test.lock.txt"]
    assert all(lock.is_file() for lock in audit.LOCKS)
