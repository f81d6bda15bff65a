"""The guard file: the template works, and every mistake gets one error with its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings, strategies

from tablevoice.guard.cautions import CAUTIONS
from tablevoice.guard.errors import GuardRefused
from tablevoice.guard.settings import (
    GpioInput,
    KeyInput,
    ModbusInput,
    SerialInput,
    SimulatedInput,
    load_settings,
)
from tests.guard.cell import ROOT

GOOD = """\
format: 1
table: lantern table
inputs:
  front: {kind: modbus, host: 192.168.1.20, address: 0}
  curtain:
    kind: modbus
    host: 192.168.1.20
    address: 2
    role: protective
    clears_by_itself: true
  rail: {kind: serial, device: /dev/ttyS0, line: dsr}
  foot: {kind: gpio, chip: /dev/gpiochip0, line: 17, closed_when: low}
  pad: {kind: key, device: /dev/input/event3, key: KEY_SPACE}
  pretend: {kind: simulated, address: "127.0.0.1:5999", token: sixteen letters ok}
reset: {kind: modbus, host: 192.168.1.20, address: 1}
controller: {host: "fe80::1", permit_coil: 8}
"""


def load(folder: Path, text: str) -> Path:
    path = folder / "guard.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_file(tmp_path: Path) -> None:
    found = load_settings(load(tmp_path, GOOD))
    assert [one.name for one in found.inputs] == [
        "front",
        "curtain",
        "rail",
        "foot",
        "pad",
        "pretend",
    ]
    assert found.inputs[0].source == ModbusInput("192.168.1.20", 502, 1, 0)
    assert found.inputs[1].protective
    assert found.inputs[1].clears_by_itself
    assert found.inputs[2].source == SerialInput("/dev/ttyS0", "dsr")
    assert found.inputs[3].source == GpioInput("/dev/gpiochip0", 17, "low")
    assert found.inputs[4].source == KeyInput("/dev/input/event3", "KEY_SPACE")
    assert found.inputs[5].source == SimulatedInput("127.0.0.1:5999", "sixteen letters ok")
    assert found.controller.host == "fe80::1"
    assert found.poll_ns <= 5_000_000, "at least 200 polls a second"
    assert found.prove_every_ns == 24 * 3600 * 1_000_000_000
    assert found.state_folder == (tmp_path / "guard_state").resolve()


def test_a_simulated_input_on_a_socket_path_needs_no_token(tmp_path: Path) -> None:
    path = load(
        tmp_path,
        GOOD.replace('"127.0.0.1:5999", token: sixteen letters ok', "/run/pretend.sock"),
    )
    assert load_settings(path).inputs[5].source == SimulatedInput("/run/pretend.sock", "")


def test_the_template_is_a_good_file_and_carries_every_caution() -> None:
    template = ROOT / "examples" / "guard" / "guard.yaml"
    assert load_settings(template).inputs
    text = " ".join(
        line.removeprefix("#").strip() for line in template.read_text("utf-8").splitlines()
    )
    for caution in CAUTIONS:
        assert caution in text


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("format: 1", "format: 2", 1, "format"),
        ("table: lantern table", "tabel: lantern table", 1, "Is `tabel` meant for it?"),
        ("address: 0}", "adress: 0}", 4, "Is `adress` meant for it?"),
        ("address: 0}", "address: 0, unti: 3}", 4, "Did you mean `unit`?"),
        ("address: 0}", "address: 70000}", 4, "from 0 to 65535"),
        ("address: 0}", "address: -1}", 4, "from 0 to 65535"),
        ("host: 192.168.1.20, address: 0", "host: io-block, address: 0", 4, "not an IP address"),
        (
            "kind: modbus, host: 192.168.1.20, address: 0",
            "kind: modbuss, host: 1.1.1.1",
            4,
            "Did you mean `modbus`?",
        ),
        ("role: protective", "role: protectiv", 9, "Did you mean `protective`?"),
        ("role: protective", "role: stop", 10, "protective inputs only"),
        ("clears_by_itself: true", "clears_by_itself: yes", 10, "true or false"),
        ("address: 1}", "address: 0}", 15, "both front and reset"),
        (
            "reset: {kind: modbus, host: 192.168.1.20, address: 1}",
            'reset: {kind: simulated, address: "/run/x"}',
            15,
            "may not be simulated",
        ),
        ("reset: {kind: modbus, host: 192.168.1.20, address: 1}", "", 1, "`reset` is missing"),
        (
            "address: 1}",
            "address: 1, press_shortest_ms: 900, press_longest_ms: 800}",
            15,
            "longer than",
        ),
        ("permit_coil: 8", "permit_coil: 65535", 16, "from 0 to 65534"),
        ("permit_coil: 8", "permit_coil: 8, permit_coil: 9", 16, "stands twice"),
        ("token: sixteen letters ok", "token: short", 14, "needs a token"),
        ('"127.0.0.1:5999"', '"0.0.0.0:5999"', 14, "Stay on this computer"),
        ("address: 2\n", "address: 5000\n", 3, "more than 2000 apart"),
        ("table: lantern table", "table: lantern table\npoll_ms: 20", 3, "from 1 to 5"),
        ("table: lantern table", "table: lantern table\nlate_ms: 500", 3, "from 10 to 40"),
        ("table: lantern table", "table: {a: 1}", 2, "not a single value"),
        ("table: lantern table", "table: lantern table\nstatus: 10.0.0.1:80", 3, "Stay on"),
        ("  front:", "  front button:", 4, "no name for an input"),
        ("table: lantern table", "table: [", 4, "is not YAML"),
    ],
)
def test_each_mistake_has_its_line(
    tmp_path: Path, old: str, new: str, line: int, said: str
) -> None:
    assert old in GOOD
    path = load(tmp_path, GOOD.replace(old, new))
    with pytest.raises(GuardRefused) as caught:
        load_settings(path)
    text = str(caught.value)
    assert text.startswith(f"{path}:{line}: "), text
    assert said in text


def test_what_is_no_guard_file_at_all(tmp_path: Path) -> None:
    for text in ("", "- a", "just words", "\x00", "x: " + "[" * 1_500):
        with pytest.raises(GuardRefused):
            load_settings(load(tmp_path, text))
    with pytest.raises(GuardRefused, match="larger than"):
        load_settings(load(tmp_path, "# " + "x" * 70_000))
    with pytest.raises(GuardRefused, match="cannot be read"):
        load_settings(tmp_path / "none.yaml")


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=strategies.integers(0, len(GOOD)), put=strategies.text(max_size=12))
def test_any_damage_is_refused_or_understood(tmp_path: Path, cut: int, put: str) -> None:
    path = tmp_path / "damaged.yaml"
    path.write_bytes((GOOD[:cut] + put + GOOD[cut + len(put) :]).encode("utf-8", "replace"))
    try:
        found = load_settings(path)
    except GuardRefused as refused:
        refusal: GuardRefused | None = refused
    else:
        refusal = None
        assert any(not one.protective for one in found.inputs)
    assert refusal is None or str(refusal).startswith(str(path))
