"""Holds the lock files against published weaknesses, and says so when it could not.

Runs pip-audit (installed with the checks) on what is pinned, with one service after the other
until one answers. pip-audit ends well when a service knows none of the packages, and with a
trace when it cannot be reached; here a package that nobody looked at is a failure.

    python scripts/audit.py            exit status 0: every package was looked up, none is known
                                       to be weak; 1: weaknesses, listed; 2: not looked up
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCKS = (ROOT / "requirements" / "test.lock.txt",)
"""The larger lock contains the smaller."""

SERVICES = ("osv", "pypi")
FINE, WEAK, NOT_LOOKED_UP = 0, 1, 2
LAST_WORDS = 300


@dataclass(frozen=True, slots=True)
class Weakness:
    """One published weakness of a pinned package; ``fixed``: versions that have it no more."""

    package: str
    version: str
    number: str
    about: str
    fixed: tuple[str, ...]

    def __str__(self) -> str:
        mended = f"fixed in {', '.join(self.fixed)}" if self.fixed else "no fixed version is known"
        return f"{self.package} {self.version}: {self.number}, {mended}. {self.about}".rstrip()


@dataclass(frozen=True, slots=True)
class Answer:
    """What one run found; ``skipped``: packages that were not looked up, and why."""

    looked_up: int
    weaknesses: tuple[Weakness, ...]
    skipped: tuple[str, ...]


def read_answer(text: str) -> Answer | None:
    """What pip-audit wrote as JSON; ``None`` when that is no such thing."""
    try:
        packages = json.loads(text)["dependencies"]
        skipped = tuple(
            f"{package['name']}: {package['skip_reason']}"
            for package in packages if "skip_reason" in package
        )  # fmt: skip
        looked_up = [package for package in packages if "skip_reason" not in package]
        weaknesses = tuple(
            Weakness(
                package["name"], package["version"], found["id"],
                " ".join(found.get("description", "").split())[:LAST_WORDS],
                tuple(found.get("fix_versions", ())),
            )
            for package in looked_up for found in package["vulns"]
        )  # fmt: skip
    except (ValueError, KeyError, TypeError):
        return None
    return Answer(len(looked_up), weaknesses, skipped)


def ask(lock: Path, service: str, program: Sequence[str]) -> tuple[Answer | None, str]:
    """One run of pip-audit: its answer, and the last of what it complained of."""
    done = subprocess.run(
        [*program, "--requirement", str(lock), "--require-hashes", "--disable-pip", "--no-deps",
         "--progress-spinner", "off", "--timeout", "30", "--vulnerability-service", service,
         "--format", "json"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    complaint = done.stderr.strip().splitlines()
    return read_answer(done.stdout), complaint[-1][-LAST_WORDS:] if complaint else ""


def audit(lock: Path, program: Sequence[str]) -> int:
    """Audit one lock file, say what came of it, and give the exit status."""
    for service in SERVICES:
        answer, complaint = ask(lock, service, program)
        if answer is not None and answer.looked_up:
            return report(lock, service, answer)
        why = f"gave no answer. {complaint}" if answer is None else "knows none of the packages."
        print(f"{lock.name}: the service {service!r} {why}", file=sys.stderr)
    print(
        f"{lock.name} was NOT audited: no service could be reached. Run this where the network"
        " lets pip-audit through, before every release.", file=sys.stderr,
    )  # fmt: skip
    return NOT_LOOKED_UP


def report(lock: Path, service: str, answer: Answer) -> int:
    """Print an answer; the exit status that it deserves."""
    for weakness in answer.weaknesses:
        print(weakness)
    for skipped in answer.skipped:
        print(f"not looked up: {skipped}", file=sys.stderr)
    print(
        f"{lock.name}: {answer.looked_up} packages looked up with {service!r},"
        f" {len(answer.weaknesses)} weaknesses, {len(answer.skipped)} not looked up."
    )
    if answer.weaknesses:
        return WEAK
    return NOT_LOOKED_UP if answer.skipped else FINE


def main(program: Sequence[str] = (sys.executable, "-m", "pip_audit")) -> int:
    """Audit every lock; the worst exit status."""
    statuses = [audit(lock, program) for lock in LOCKS]
    return WEAK if WEAK in statuses else max(statuses)


if __name__ == "__main__":
    sys.exit(main())
