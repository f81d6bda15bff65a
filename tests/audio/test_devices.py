"""Picking a device by a person's words, and what is said when there is none."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tablevoice.audio.devices import Device, choose_among
from tablevoice.errors import AudioUnavailable
from tests.sound_path import missing_parts

ROOT = Path(__file__).parents[2]


def device(index: int, name: str, api: str = "MME", inputs: int = 0, outputs: int = 2) -> Device:
    return Device(index, name, api, inputs, outputs, 48_000, inputs > 0 and index == 1, index == 3)


SHOP = (
    device(0, "Webcam Mic", inputs=1, outputs=0),
    device(1, "Boundary Microphone", inputs=1, outputs=0),
    device(2, "USB Headset", inputs=1),
    device(3, "Table Speaker"),
    device(4, "Table Speaker", "WASAPI"),
    device(5, "Speaker of the Monitor"),
    device(6, "Speaker of the Monitor, second output"),
)


@pytest.mark.parametrize(
    ("choice", "kind", "index"),
    [
        ("default", "output", 3),
        ("Default", "input", 1),
        (2, "output", 2),
        ("2", "input", 2),
        (4, "output", 4),
        ("webcam", "input", 0),
        ("usb head", "output", 2),
        ("table speaker", "output", 3),  # also on WASAPI: the default's host API wins
        ("Speaker of the Monitor", "output", 5),  # also part of another name: just that name wins
    ],
)
def test_a_person_s_words_pick_the_device(choice: str | int, kind: str, index: int) -> None:
    assert kind in ("input", "output")
    chosen = choose_among(SHOP, choice, "input" if kind == "input" else "output")
    assert chosen.index == index


@pytest.mark.parametrize(
    ("choice", "kind", "said"),
    [
        ("Tabel Speeker", "output", "Nearest is 'Table Speaker'"),
        ("bondary microfone", "input", "Nearest is 'Boundary Microphone'"),
        ("webcam", "output", "no loudspeaker 'webcam'"),
        ("of the monitor", "output", "several devices fit"),
        (0, "output", "no loudspeaker '0'"),
        (99, "input", "no microphone '99'"),
        ("", "input", "no microphone ''"),
    ],
)
def test_what_fits_nothing_or_too_much_is_refused(choice: str | int, kind: str, said: str) -> None:
    with pytest.raises(AudioUnavailable) as caught:
        choose_among(SHOP, choice, "input" if kind == "input" else "output")
    assert said in str(caught.value)
    assert caught.value.problem.do
    assert "sound devices" in caught.value.problem.where


def test_a_system_without_devices_is_told_so() -> None:
    for kind, thing in (("input", "microphone"), ("output", "loudspeaker")):
        with pytest.raises(AudioUnavailable, match=f"shows no {thing}"):
            choose_among((), "default", "input" if kind == "input" else "output")


def run_child(code: str, environment: dict[str, str]) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def test_without_portaudio_all_imports_work_and_the_package_is_named() -> None:
    """The search for the library finds nothing, as on a system that does not have it."""
    out = run_child(
        "import ctypes.util\n"
        "found = ctypes.util.find_library\n"
        "ctypes.util.find_library = lambda name: None if 'portaudio' in name else found(name)\n"
        "import tablevoice.audio, tablevoice.audio.clip_files\n"
        "from tablevoice.audio import devices, loudspeaker, microphone\n"
        "from tablevoice.errors import AudioUnavailable\n"
        "print(devices.can_play()); print(devices.can_listen())\n"
        "for thing in (loudspeaker.Loudspeaker(), microphone.Microphone()):\n"
        "    try:\n"
        "        thing.open()\n"
        "    except AudioUnavailable as error:\n"
        "        print('refused:', error)\n",
        dict(os.environ),
    )
    if sys.platform.startswith("linux"):  # elsewhere the wheel brings its own PortAudio
        lines = out.splitlines()
        assert len(lines) == 4
        assert lines[0].startswith("(False")
        assert lines[1].startswith("(False")
        assert all("libportaudio2" in line for line in lines)
        assert all(line.startswith("refused:") for line in lines[2:])


@pytest.mark.sound_server
@pytest.mark.skipif("libportaudio2" in missing_parts(), reason="apt-get install libportaudio2")
def test_a_machine_whose_sound_server_is_gone_says_so(tmp_path: Path) -> None:
    nobody = {
        "HOME": str(tmp_path),
        "XDG_RUNTIME_DIR": str(tmp_path),
        "PULSE_SERVER": f"unix:{tmp_path / 'nobody'}",
    }
    out = run_child(
        "from tablevoice.audio.devices import can_listen, can_play\n"
        "from tablevoice.audio.loudspeaker import Loudspeaker\n"
        "from tablevoice.errors import AudioUnavailable\n"
        "print(can_play('pulse')); print(can_listen('pulse'))\n"
        "try:\n"
        "    Loudspeaker('pulse').open()\n"
        "except AudioUnavailable as error:\n"
        "    print('refused:', error)\n",
        {**os.environ, **nobody},
    )
    lines = [line for line in out.splitlines() if line.startswith(("(", "refused:"))]
    assert lines[0].startswith("(False")
    assert "loudspeaker" in lines[0]
    assert lines[1].startswith("(False")
    assert "microphone" in lines[1]
    assert lines[2].startswith("refused:")


@pytest.mark.sound_server
def test_real_devices_are_listed_and_a_wrong_name_gets_the_nearest(
    pulse_environment: dict[str, str],
) -> None:
    out = run_child(
        "from tablevoice.audio.devices import can_listen, can_play, choose_device, list_devices\n"
        "from tablevoice.audio.loudspeaker import Loudspeaker\n"
        "from tablevoice.errors import AudioUnavailable\n"
        "print(sorted(d.name for d in list_devices()))\n"
        "print(can_play('pulse'), can_listen('pulse'), can_play())\n"
        "print(choose_device('PULS', 'output').name)\n"
        "for device, latency in (('pluse', 'high'), ('pulse', 'lowest'), ('pulse', 77.0)):\n"
        "    try:\n"
        "        Loudspeaker(device, latency).open()\n"
        "    except AudioUnavailable as error:\n"
        "        print('refused:', error)\n"
        "with Loudspeaker('pulse', 'low') as speaker:\n"
        "    print(speaker.is_open, speaker.cut())\n"
        "    try:\n"
        "        speaker.open()\n"
        "    except RuntimeError as error:\n"
        "        print(error)\n"
        "print(speaker.is_open)\n"
        "with speaker:\n"
        "    print(speaker.is_open)\n",
        pulse_environment,
    )
    lines = out.splitlines()
    assert "pulse" in lines[0]
    assert lines[1] == "(True, 'pulse') (True, 'pulse') (True, 'default')"
    assert lines[2] == "pulse"
    assert "Nearest is 'pulse'" in lines[3]
    assert "Use low, high" in lines[4]
    assert "Use low, high" in lines[5]
    assert lines[6:] == ["True False", "the loudspeaker is open already", "False", "True"]
