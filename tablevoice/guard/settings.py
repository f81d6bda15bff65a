"""The guard file: YAML in, frozen settings out, or one clear error with file and line.

Every key is checked; a wrong name is answered with the nearest right one. PyYAML is used to
parse the file once, before the guard starts watching, and for nothing else. Called by the
command line; opens no device and no socket.
"""

from __future__ import annotations

import difflib
import ipaddress
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import yaml

from tablevoice.guard.errors import GuardRefused
from tablevoice.guard.modbus_frames import MOST_INPUTS_A_READ

MS = 1_000_000
LARGEST_FILE_BYTES = 65_536
MOST_INPUTS = 32
UNIX_PATH_LIMIT_BYTES = 100
"""sun_path holds 104 to 108 bytes, depending on the system."""


@dataclass(frozen=True, slots=True)
class ModbusInput:
    """Discrete input ``address`` of a remote I/O block; 1 = contact closed."""

    host: str
    port: int
    unit: int
    address: int


@dataclass(frozen=True, slots=True)
class GpioInput:
    """A GPIO line; ``closed_when`` says which level a closed contact makes (high or low)."""

    chip: str
    line: int
    closed_when: str


@dataclass(frozen=True, slots=True)
class SerialInput:
    """A control line of a serial port (dsr or cts); asserted = contact closed."""

    device: str
    line: str


@dataclass(frozen=True, slots=True)
class KeyInput:
    """A key of an input device. As a stop: up = closed, down = open. As reset: down = pressed."""

    device: str
    key: str


@dataclass(frozen=True, slots=True)
class SimulatedInput:
    """A level that another process must keep refreshing over a local datagram socket.

    ``address`` is a socket path, or 127.0.0.1:port together with a ``token``.
    """

    address: str
    token: str


Source: TypeAlias = ModbusInput | GpioInput | SerialInput | KeyInput | SimulatedInput


@dataclass(frozen=True, slots=True)
class InputSettings:
    """One input: where it comes from and what it latches."""

    name: str
    source: Source
    protective: bool
    clears_by_itself: bool


@dataclass(frozen=True, slots=True)
class ControllerSettings:
    """The cell's controller: the permit coil, and the heartbeat coil right after it."""

    host: str
    port: int
    unit: int
    permit_coil: int
    heartbeat_ns: int


@dataclass(frozen=True, slots=True)
class Settings:
    """A whole guard file; times in nanoseconds."""

    path: Path
    table: str
    inputs: tuple[InputSettings, ...]
    reset: Source
    press_shortest_ns: int
    press_longest_ns: int
    controller: ControllerSettings
    poll_ns: int
    late_ns: int
    debounce_ns: int
    prove_every_ns: int
    state_folder: Path
    status_address: str


def load_settings(path: Path) -> Settings:
    """Read and check a guard file.

    Raises:
        GuardRefused: the file cannot be read or something in it is not right.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as problem:
        raise GuardRefused(
            f"cannot be read: {problem.strerror}", where=str(path), do="Check the name and rights."
        ) from problem
    if len(raw) > LARGEST_FILE_BYTES:
        raise GuardRefused(
            f"is larger than {LARGEST_FILE_BYTES} bytes",
            where=str(path),
            do="A guard file has a few dozen lines; was another file meant?",
        )
    try:
        root = yaml.compose(raw.decode("utf-8"), Loader=yaml.SafeLoader)
    except (UnicodeDecodeError, yaml.YAMLError, RecursionError) as problem:
        mark = getattr(problem, "problem_mark", None)
        where = f"{path}:{mark.line + 1}" if mark is not None else str(path)
        what = getattr(problem, "problem", None) or str(problem) or "too deeply nested"
        raise GuardRefused(f"is not YAML: {what}", where=where, do="Mend that line.") from problem
    if not isinstance(root, yaml.MappingNode):
        raise GuardRefused(
            "is not a mapping of keys", where=str(path), do="Start from the template."
        )
    return _settings(path, _Section(path, root, "the guard file"))


def _settings(path: Path, top: _Section) -> Settings:
    if top.whole("format", 1, 10**6) != 1:
        raise top.wrong("format", "is a format this guard does not know", "Write `format: 1`.")
    table = top.text("table")
    inputs_section = top.section("inputs")
    inputs: list[InputSettings] = []
    for name in inputs_section.names():
        if not name.isidentifier() or len(name) > 40:
            raise inputs_section.wrong(
                name, "is no name for an input", "Use letters, digits and _, at most 40."
            )
        one = inputs_section.section(name)
        source = _source(one)
        protective = one.choice("role", ("stop", "protective"), "stop") == "protective"
        clears = one.flag("clears_by_itself", False)
        if clears and not protective:
            raise one.wrong(
                "clears_by_itself", "is for protective inputs only", "A stop needs a reset press."
            )
        one.done()
        inputs.append(InputSettings(name, source, protective, clears))
    if not any(not one.protective for one in inputs):
        raise top.wrong("inputs", "has no stop input", "Wire at least one physical stop.")
    if len(inputs) > MOST_INPUTS:
        raise top.wrong("inputs", f"has more than {MOST_INPUTS} inputs", "Use a second guard.")
    reset_section = top.section("reset")
    reset = _source(reset_section)
    if isinstance(reset, SimulatedInput):
        raise reset_section.wrong(
            "kind", "may not be simulated for the reset", "The reset is a contact at the machine."
        )
    shortest_ms = reset_section.whole("press_shortest_ms", 20, 1_000, 50)
    longest_ms = reset_section.whole("press_longest_ms", 200, 10_000, 2_000)
    if longest_ms <= shortest_ms:
        raise reset_section.wrong(
            "press_longest_ms", "is not longer than press_shortest_ms", "Widen the window."
        )
    reset_section.done()
    _no_point_twice(top, inputs, reset)
    _neighbouring(top, inputs, reset)
    to = top.section("controller")
    controller = ControllerSettings(
        host=to.ip_address("host"),
        port=to.whole("port", 1, 65_535, 502),
        unit=to.whole("unit", 0, 255, 1),
        permit_coil=to.whole("permit_coil", 0, 65_534),
        heartbeat_ns=to.whole("heartbeat_ms", 20, 1_000, 50) * MS,
    )
    to.done()
    poll_ms = top.whole("poll_ms", 1, 5, 2)
    late_ms = top.whole("late_ms", 10, 40, 15)
    debounce_ms = top.whole("debounce_ms", 20, 2_000, 100)
    prove_every_h = top.whole("prove_every_h", 1, 24 * 31, 24)
    state_folder = (path.parent / top.text("state", "guard_state")).resolve()
    status = top.text("status", str(state_folder / "status.sock"))
    if ":" in status and "/" not in status:
        _check_loopback(top, "status", status)
    elif len(status.encode()) > UNIX_PATH_LIMIT_BYTES:
        raise top.wrong(
            "status" if "status" in top.names() else "state",
            f"makes a socket path longer than {UNIX_PATH_LIMIT_BYTES} bytes",
            "Name a shorter `status:` path, or 127.0.0.1:port.",
        )
    top.done()
    return Settings(
        path=path.resolve(),
        table=table,
        inputs=tuple(inputs),
        reset=reset,
        press_shortest_ns=shortest_ms * MS,
        press_longest_ns=longest_ms * MS,
        controller=controller,
        poll_ns=poll_ms * MS,
        late_ns=late_ms * MS,
        debounce_ns=debounce_ms * MS,
        prove_every_ns=prove_every_h * 3600 * 1000 * MS,
        state_folder=state_folder,
        status_address=status,
    )


def _source(one: _Section) -> Source:
    kind = one.choice("kind", ("modbus", "gpio", "serial", "key", "simulated"))
    if kind == "modbus":
        return ModbusInput(
            host=one.ip_address("host"),
            port=one.whole("port", 1, 65_535, 502),
            unit=one.whole("unit", 0, 255, 1),
            address=one.whole("address", 0, 65_535),
        )
    if kind == "gpio":
        return GpioInput(
            chip=one.text("chip"),
            line=one.whole("line", 0, 10_000),
            closed_when=one.choice("closed_when", ("high", "low")),
        )
    if kind == "serial":
        return SerialInput(device=one.text("device"), line=one.choice("line", ("dsr", "cts")))
    if kind == "key":
        return KeyInput(device=one.text("device"), key=one.text("key"))
    address = one.text("address")
    token = one.text("token") if "token" in one.names() else one.absent("token")
    if ":" in address and "/" not in address:
        _check_loopback(one, "address", address)
        if len(token) < 16:
            raise one.wrong(
                "address", "is a port and needs a token", "Add `token:` with 16 letters or more."
            )
    elif len(address.encode()) > UNIX_PATH_LIMIT_BYTES:
        raise one.wrong("address", "is too long for a socket path", "Use a shorter path.")
    return SimulatedInput(address=address, token=token)


def _check_loopback(section: _Section, key: str, address: str) -> None:
    host, _, port = address.rpartition(":")
    if host != "127.0.0.1" or not port.isdecimal() or not 0 < int(port) < 65_536:
        raise section.wrong(key, "is neither a path nor 127.0.0.1:port", "Stay on this computer.")


def _no_point_twice(top: _Section, inputs: list[InputSettings], reset: Source) -> None:
    seen: dict[Source, str] = {}
    for name, source in [*((one.name, one.source) for one in inputs), ("reset", reset)]:
        if source in seen:
            raise top.wrong(
                "reset" if name == "reset" else "inputs",
                f"uses one point for both {seen[source]} and {name}",
                "Every input and the reset need a contact of their own.",
            )
        seen[source] = name


def _neighbouring(top: _Section, inputs: list[InputSettings], reset: Source) -> None:
    """Inputs of one block are read in one request, so they may not lie too far apart."""
    spans: dict[tuple[str, int, int], list[int]] = {}
    for source in [*(one.source for one in inputs), reset]:
        if isinstance(source, ModbusInput):
            key = (source.host, source.port, source.unit)
            spans.setdefault(key, []).append(source.address)
    for (host, port, _), addresses in spans.items():
        if max(addresses) - min(addresses) >= MOST_INPUTS_A_READ:
            raise top.wrong(
                "inputs",
                f"has addresses of {host}:{port} more than {MOST_INPUTS_A_READ} apart",
                "Put the contacts of one block side by side.",
            )


class _Section:
    """One mapping of the file; remembers which keys were asked for, so that others are errors."""

    def __init__(self, path: Path, node: yaml.MappingNode, called: str) -> None:
        self._path, self._called = path, called
        self._line = node.start_mark.line + 1
        self._nodes: dict[str, tuple[yaml.Node, int]] = {}
        self._asked: list[str] = []
        for key, value in node.value:
            line = key.start_mark.line + 1
            if not isinstance(key, yaml.ScalarNode):
                raise GuardRefused("a key is not a word", where=f"{path}:{line}", do="Mend it.")
            if key.value in self._nodes:
                raise GuardRefused(
                    f"`{key.value}` stands twice in {called}",
                    where=f"{path}:{line}",
                    do="Keep one.",
                )
            self._nodes[key.value] = (value, line)

    def names(self) -> tuple[str, ...]:
        return tuple(self._nodes)

    def wrong(self, key: str, what: str, do: str) -> GuardRefused:
        line = self._nodes[key][1] if key in self._nodes else self._line
        return GuardRefused(f"`{key}` {what}.", where=f"{self._path}:{line}", do=do)

    def done(self) -> None:
        """Refuse the first key nobody asked for, with the nearest one that exists."""
        for key in self._nodes:
            if key not in self._asked:
                near = difflib.get_close_matches(key, self._asked, 1, 0.5)
                hint = (
                    f"Did you mean `{near[0]}`?"
                    if near
                    else (f"Known here: {', '.join(sorted(self._asked))}.")
                )
                raise self.wrong(key, f"is not known in {self._called}", hint)

    def section(self, key: str) -> _Section:
        node = self._node(key)
        if not isinstance(node, yaml.MappingNode) or not node.value:
            raise self.wrong(key, "is not a mapping of keys", "See the template.")
        return _Section(self._path, node, f"`{key}`")

    def text(self, key: str, default: str | None = None) -> str:
        value = self._scalar(key, default)
        if not value or len(value) > 200 or not value.isprintable():
            raise self.wrong(key, "is not a short text", "Write 1 to 200 printable letters.")
        return value

    def absent(self, key: str) -> str:
        """A key that may be left out, and is; it counts as known."""
        self._asked.append(key)
        return ""

    def ip_address(self, key: str) -> str:
        value = self._scalar(key, None)
        try:
            return str(ipaddress.ip_address(value))
        except ValueError as problem:
            raise self.wrong(
                key,
                f"is `{value}`, not an IP address",
                "Write the number (192.168.1.20): looking up a name could wait for a server.",
            ) from problem

    def whole(self, key: str, lowest: int, highest: int, default: int | None = None) -> int:
        value = self._scalar(key, None if default is None else str(default))
        if not (value.isascii() and value.isdecimal() and lowest <= int(value) <= highest):
            raise self.wrong(
                key, f"is `{value}`", f"Write a whole number from {lowest} to {highest}."
            )
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        value = self._scalar(key, "true" if default else "false")
        if value not in ("true", "false"):
            raise self.wrong(key, f"is `{value}`", "Write true or false.")
        return value == "true"

    def choice(self, key: str, among: tuple[str, ...], default: str | None = None) -> str:
        value = self._scalar(key, default)
        if value not in among:
            near = difflib.get_close_matches(value, among, 1, 0.5)
            hint = f"Did you mean `{near[0]}`?" if near else f"One of: {', '.join(among)}."
            raise self.wrong(key, f"is `{value}`", hint)
        return value

    def _scalar(self, key: str, default: str | None) -> str:
        if key not in self._nodes and default is not None:
            self._asked.append(key)
            return default
        node = self._node(key)
        if not isinstance(node, yaml.ScalarNode):
            raise self.wrong(key, "is not a single value", "See the template.")
        value = node.value
        assert isinstance(value, str)
        return value

    def _node(self, key: str) -> yaml.Node:
        self._asked.append(key)
        if key not in self._nodes:
            near = difflib.get_close_matches(key, list(self._nodes), 1, 0.6)
            hint = f"Is `{near[0]}` meant for it?" if near else "See the template."
            raise GuardRefused(
                f"`{key}` is missing in {self._called}.",
                where=f"{self._path}:{self._line}",
                do=hint,
            )
        return self._nodes[key][0]
