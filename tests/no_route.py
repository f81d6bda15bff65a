"""Runs a command in a network of its own that leads nowhere, and counts every try to get out.

``python -m tests.no_route COUNTS.json COMMAND...``, started in a fresh network namespace
(``ISOLATED`` before it does so). Loopback is brought up, and there is no other device: whatever
wants to leave, by any protocol, connected or not, finds no route, and the kernel counts that
(IpOutNoRoutes and Ip6OutNoRoutes of RFC 4293's tables, in /proc/net/snmp and snmp6). Datagrams
to a port of this computer where nobody listens are counted as well, since a name is looked up
that way where the resolver is thought to be local.

What some libraries do differently on build servers must not spare them here: the variables
that name one are taken away.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import socket
import struct
import subprocess
import sys
from pathlib import Path

ISOLATED = ("unshare", "--net") if os.geteuid() == 0 else ("unshare", "--net", "--map-root-user")

SIOCSIFFLAGS, IFF_UP, IFF_RUNNING = 0x8914, 0x1, 0x40  # <linux/sockios.h>, <linux/if.h>

COUNTED = ("IpOutNoRoutes", "Ip6OutNoRoutes", "UdpNoPorts", "Udp6NoPorts")

BUILD_SERVERS = ("CI", "CONTINUOUS_INTEGRATION", "BUILD_ID", "BUILD_NUMBER", "GITHUB_ACTIONS",
                 "GITLAB_CI", "CIRCLECI", "TRAVIS", "TEAMCITY_VERSION", "JENKINS_URL",
                 "TF_BUILD", "APPVEYOR", "BUILDKITE", "CODEBUILD_BUILD_ID", "DO_NOT_TRACK",
                 "ORT_DISABLE_TELEMETRY", "ORT_RUNNING_UNIT_TESTS")  # fmt: skip


def missing() -> str:
    """Why there can be no network namespace here; empty where there can."""
    if shutil.which("unshare") is None:
        return "needs unshare: apt-get install util-linux"
    tried = subprocess.run([*ISOLATED, "true"], capture_output=True, text=True, check=False)
    return "" if tried.returncode == 0 else f"no network namespaces here: {tried.stderr.strip()}"


def isolated(counts: Path, command: list[str]) -> list[str]:
    """``command``, so that it runs without a route and leaves what was counted in ``counts``."""
    return [*ISOLATED, sys.executable, "-m", "tests.no_route", str(counts), *command]


def _loopback_up() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        fcntl.ioctl(any_socket, SIOCSIFFLAGS, struct.pack("16sH14x", b"lo", IFF_UP | IFF_RUNNING))


def _counts() -> dict[str, int]:
    rows = Path("/proc/net/snmp").read_text("ascii").splitlines()
    found: dict[str, int] = {}
    for names, values in zip(rows[::2], rows[1::2], strict=True):
        protocol = names.split(":")[0]
        pairs = zip(names.split()[1:], values.split()[1:], strict=True)
        found |= {f"{protocol}{name}": int(value) for name, value in pairs}
    for row in Path("/proc/net/snmp6").read_text("ascii").splitlines():
        name, value = row.split()
        found[name] = int(value)
    return {name: found[name] for name in COUNTED}


def _devices() -> list[str]:
    return sorted(row.split(":")[0].strip()
                  for row in Path("/proc/net/dev").read_text("ascii").splitlines()[2:])  # fmt: skip


def main(counts: Path, command: list[str]) -> int:
    """Run it; its exit status."""
    if _devices() != ["lo"]:
        print(f"tests.no_route: not in a network of its own: {_devices()}", file=sys.stderr)
        return 125
    _loopback_up()
    environment = {k: v for k, v in os.environ.items() if k not in BUILD_SERVERS}
    status = subprocess.run(command, env=environment, check=False).returncode
    counts.write_text(json.dumps(_counts()), encoding="utf-8")
    return status


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2:]))
