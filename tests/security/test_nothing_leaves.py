"""Nothing leaves the computer: counted by the kernel, in a network that leads nowhere.

The demo is held to it in ``tests/test_demo.py``, once for all tests of the demo.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import no_route
from tests.guard.conftest import short_path
from tests.security.linked_table import PASSWORD

__all__ = ["short_path"]

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(autouse=True)
def namespaces() -> None:
    if no_route.missing():
        pytest.skip(no_route.missing())


def counted(program: str, folder: Path) -> dict[str, int]:
    """What a Python program tried, run as a person of its own home would."""
    done = subprocess.run(
        no_route.isolated(folder / "counts.json", [sys.executable, "-c", program]),
        env={**os.environ, "HOME": str(folder), "PYTHONPATH": str(ROOT)},
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    counts: dict[str, int] = json.loads((folder / "counts.json").read_text("utf-8"))
    return counts


TRIES = {
    "a connection": ("IpOutNoRoutes", "socket.create_connection(('192.0.2.1', 443), 1)"),
    "a datagram": ("IpOutNoRoutes", "udp(socket.AF_INET).sendto(b'x', ('192.0.2.1', 53))"),
    "a datagram by IPv6": (
        "Ip6OutNoRoutes", "udp(socket.AF_INET6).sendto(b'x', ('2001:db8::1', 53))"),
    "a broadcast": (
        "IpOutNoRoutes", "udp(socket.AF_INET).sendto(b'x', ('255.255.255.255', 5353))"),
    "a local resolver": ("UdpNoPorts", "udp(socket.AF_INET).sendto(b'x', ('127.0.0.53', 53))"),
}  # fmt: skip


@pytest.mark.parametrize(("counter", "attempt"), TRIES.values(), ids=TRIES.keys())
def test_every_kind_of_try_is_counted(tmp_path: Path, counter: str, attempt: str) -> None:
    program = (
        "import contextlib, socket\n"
        "def udp(family):\n"
        "    opened = socket.socket(family, socket.SOCK_DGRAM)\n"
        "    opened.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)\n"
        "    return opened\n"
        f"with contextlib.suppress(OSError):\n    {attempt}\n"
    )
    counts = counted(program, tmp_path)
    assert counts[counter] >= 1
    assert sum(counts.values()) == counts[counter]


def test_loopback_is_not_counted(tmp_path: Path) -> None:
    program = (
        "import socket\n"
        "server = socket.create_server(('127.0.0.1', 0))\n"
        "socket.create_connection(server.getsockname()).sendall(b'x')\n"
    )
    assert sum(counted(program, tmp_path).values()) == 0


@pytest.mark.sound_server
def test_a_table_with_every_link_keeps_to_this_computer_and_its_secret_to_itself(
    short_path: Path,
) -> None:
    done = subprocess.run(
        no_route.isolated(
            short_path / "counts.json",
            [sys.executable, "-m", "tests.security.linked_table", str(short_path)],
        ),
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=ROOT, capture_output=True, text=True, timeout=150, check=False,
    )  # fmt: skip
    table = short_path / "table"
    log = (table / "log").read_text("utf-8")
    assert done.returncode == 0, done.stderr + log
    counts = json.loads((short_path / "counts.json").read_text("utf-8"))
    assert set(counts.values()) == {0}
    # Both events came in and the table went through it all; the secret shows nowhere.
    written = {path.name: path.read_bytes() for path in table.rglob("*") if path.is_file()}
    assert written["messages"].count(b'"type":"done"') == 2
    assert {"history.sqlite", "health.json", "log"} <= written.keys()
    links = json.loads(written["told_health.json"])["facts"]["links"]
    assert links["mqtt"]["up"] is True
    assert "no controller" in links["modbus"]["why"]
    assert len(log.splitlines()) > 5
    told = [*written.values(), done.stdout.encode(), done.stderr.encode()]
    assert not [text for text in told if PASSWORD.encode() in text]


def test_the_network_runtime_sends_no_reports_and_keeps_no_number_of_this_computer(
    tmp_path: Path,
) -> None:
    """ONNX Runtime from 1.29 on does both on Linux unless told not to before its import (its
    pull request 27379, "Add POSIX telemetry"); our package tells it. A first report waits on
    the disk for some ten seconds, so that the file shows it sooner than the counts: those are
    the demo's to show, which lasts longer."""
    program = (
        "from tablevoice.listening import networks\n"
        "networks.shipped('encoder.onnx')\n"
    )
    assert sum(counted(program, tmp_path).values()) == 0
    assert [path.name for path in tmp_path.rglob("*")] == ["counts.json"]


def test_child_processes_of_the_table_inherit_it() -> None:
    program = (
        "import os, subprocess, sys, tablevoice\n"
        "print(subprocess.run([sys.executable, '-c',"
        " \"import os; print(os.environ['ORT_DISABLE_TELEMETRY'])\"],"
        " capture_output=True, text=True, check=True).stdout)\n"
    )
    clean = {k: v for k, v in os.environ.items() if k != "ORT_DISABLE_TELEMETRY"}
    done = subprocess.run(
        [sys.executable, "-c", program], env={**clean, "PYTHONPATH": str(ROOT)}, cwd=ROOT,
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert done.stdout.strip() == "1"
