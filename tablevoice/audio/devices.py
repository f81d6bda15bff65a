"""Finds the sound devices and is the only door to PortAudio.

Knows how to load PortAudio, list its devices, pick one by a person's words, and
open and close streams one at a time; does not know what flows through them.
Called by the loudspeaker, the microphone and by checks of a cell.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Literal

from rapidfuzz import fuzz, process, utils

from tablevoice.errors import AudioUnavailable

Kind = Literal["input", "output"]

GET_PORTAUDIO = (
    "Install PortAudio (Debian, Ubuntu: apt-get install libportaudio2; with PulseAudio or "
    "PipeWire also libasound2-plugins) and start again."
)
ROOMY_LATENCY_S = 0.1
"""Least buffer behind the word ``high``: PortAudio's own idea of high (35 ms with the ALSA
plug-in of PulseAudio) let the first two seconds of sound stall, measured; 100 ms did not."""
_CLOSE_WITHIN_S = 3.0
_OUTSIDE_WITHIN_S = 15.0

_portaudio = threading.RLock()  # PortAudio's list, open, close and initialise may not overlap
_open_streams = 0
_look_wanted = threading.Event()


@dataclass(frozen=True, slots=True)
class Device:
    """One entry of PortAudio's list; ``inputs`` and ``outputs`` count channels."""

    index: int
    name: str
    host_api: str
    inputs: int
    outputs: int
    rate_hz: int
    is_default_input: bool
    is_default_output: bool


def list_devices() -> tuple[Device, ...]:
    """Every device that PortAudio sees; empty if there is none.

    Raises :class:`AudioUnavailable` when PortAudio itself is missing.
    """
    sounddevice = load_portaudio()
    with _portaudio:
        apis = sounddevice.query_hostapis()
        default_input, default_output = sounddevice.default.device
        return tuple(
            Device(
                index=index,
                name=str(entry["name"]),
                host_api=str(apis[entry["hostapi"]]["name"]),
                inputs=int(entry["max_input_channels"]),
                outputs=int(entry["max_output_channels"]),
                rate_hz=round(entry["default_samplerate"]),
                is_default_input=index == default_input,
                is_default_output=index == default_output,
            )
            for index, entry in enumerate(sounddevice.query_devices())
        )


def choose_device(choice: str | int, kind: Kind) -> Device:
    """The device meant by ``default``, an index, a name or a part of a name (any case).

    Of several that fit, one with just that name wins, then the one on the default
    device's host API (Windows lists each device once for every API). Raises
    :class:`AudioUnavailable` when none or still several fit, with the nearest name.
    """
    return choose_among(list_devices(), choice, kind)


def choose_among(devices: tuple[Device, ...], choice: str | int, kind: Kind) -> Device:
    """:func:`choose_device` on a given list."""
    fit = [d for d in devices if (d.inputs if kind == "input" else d.outputs)]
    thing = "microphone" if kind == "input" else "loudspeaker"
    if not fit:
        raise AudioUnavailable(
            f"the system shows no {thing}.",
            where=f"sound devices ({kind})",
            do="Connect one, check that the sound server runs and that this user may use it "
            "(Linux: group 'audio'), then start again.",
        )
    default = next(
        (d for d in fit if (d.is_default_input if kind == "input" else d.is_default_output)), None
    )
    text = str(choice).strip()
    if text.casefold() == "default":
        return default or fit[0]
    if text.isdecimal():
        for device in fit:
            if device.index == int(text):
                return device
    else:
        named = [d for d in fit if d.name.casefold() == text.casefold()]
        named = named or [d for d in fit if text and text.casefold() in d.name.casefold()]
        if len(named) > 1 and default is not None:
            named = [d for d in named if d.host_api == default.host_api] or named
        if len(named) == 1:
            return named[0]
        if named:
            raise AudioUnavailable(
                f"several devices fit '{text}'.",
                where=f"sound devices ({kind})",
                do=f"Give one by its index: {_listed(named)}.",
            )
    names = [d.name for d in fit]
    near = process.extractOne(text, names, scorer=fuzz.WRatio, processor=utils.default_process)
    nearest = f"Nearest is '{near[0]}'. " if near[1] >= 50 else ""
    raise AudioUnavailable(
        f"there is no {thing} '{text}'.",
        where=f"sound devices ({kind})",
        do=f"{nearest}There are: {_listed(fit)}; or say 'default'.",
    )


def can_play(choice: str | int = "default") -> tuple[bool, str]:
    """Whether a loudspeaker could be opened, and the device's name or the reason why not."""
    return _usable(choice, "output")


def can_listen(choice: str | int = "default") -> tuple[bool, str]:
    """Whether a microphone could be opened, and the device's name or the reason why not."""
    return _usable(choice, "input")


def latency_s(latency: str | float, device: Device, kind: Kind) -> float:
    """Seconds of buffer for ``low``, ``high`` or a number; ``high`` is never below 100 ms."""
    if isinstance(latency, (int, float)):
        if not 0.0 < latency <= 5.0:
            raise AudioUnavailable(
                f"a latency of {latency} s makes no sense.",
                where=device.name,
                do="Use low, high, or seconds such as 0.1.",
            )
        return float(latency)
    if latency not in ("low", "high"):
        raise AudioUnavailable(
            f"'{latency}' is no latency.",
            where=device.name,
            do="Use low, high, or seconds such as 0.1.",
        )
    entry = load_portaudio().query_devices(device.index)
    own = float(entry[f"default_{latency}_{kind}_latency"])
    return max(own, ROOMY_LATENCY_S) if latency == "high" else own


def load_portaudio() -> ModuleType:
    """The ``sounddevice`` module; raises :class:`AudioUnavailable` if PortAudio is missing."""
    try:
        import sounddevice
    except (OSError, ImportError) as error:
        raise AudioUnavailable(
            f"sound in and out is not there ({error}).", where="PortAudio", do=GET_PORTAUDIO
        ) from error
    module: ModuleType = sounddevice
    return module


def alone_with_portaudio() -> AbstractContextManager[object]:
    """Keeps others from PortAudio between choosing a device and opening it: an index may change."""
    return _portaudio


def open_stream(open_it: Callable[[ModuleType], Any], where: str) -> Any:
    """Open and start a stream that ``open_it`` builds from the ``sounddevice`` module.

    Raises :class:`AudioUnavailable` with PortAudio's own words. Every stream must go
    back through :func:`close_stream`.
    """
    global _open_streams
    sounddevice = load_portaudio()
    with _portaudio:
        stream = None
        try:
            stream = open_it(sounddevice)
            stream.start()
        except (sounddevice.PortAudioError, ValueError, OSError) as error:
            if stream is not None:
                stream.close(ignore_errors=True)
            raise AudioUnavailable(
                f"the sound device cannot be opened ({_first_words(error)}).",
                where=where,
                do="Check that it is connected, that no other program keeps it for itself "
                "and that the sound server runs.",
            ) from error
        _open_streams += 1
        return stream


def close_stream(stream: Any) -> None:
    """Close a stream. A driver that hangs in doing so is left behind after 3 s, not waited for."""
    global _open_streams

    def close() -> None:
        stream.abort(ignore_errors=True)
        stream.close(ignore_errors=True)

    with _portaudio:
        closing = threading.Thread(target=close, name="close sound stream", daemon=True)
        closing.start()
        closing.join(_CLOSE_WITHIN_S)
        if not closing.is_alive():  # a hung one goes on counting: PortAudio must not restart
            _open_streams -= 1


def look_again() -> bool:
    """Let PortAudio read the system's devices anew; False while a stream is open.

    PortAudio lists the devices once; one that came later is seen only after this.
    """
    sounddevice = load_portaudio()
    with _portaudio:
        if _open_streams:
            return False
        try:
            sounddevice._terminate()
            sounddevice._initialize()
        except sounddevice.PortAudioError as error:
            raise AudioUnavailable(
                f"PortAudio does not start again ({_first_words(error)}).",
                where="PortAudio",
                do="Start the program again.",
            ) from error
        return True


def seen_from_outside(choice: str | int, kind: Kind) -> bool:
    """Whether a new process finds that device: what this one would after reading the list anew.

    For a stream that is to come back while another one is open. Takes half a second.
    """
    command = [sys.executable, "-m", "tablevoice.audio.devices", kind, str(choice)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=_OUTSIDE_WITHIN_S, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def look_wanted() -> bool:
    """Whether a stream that can, without being missed, should close for a moment."""
    return _look_wanted.is_set()


def look_with_others_aside(within_s: float) -> bool:
    """:func:`look_again` once the other streams have closed; False when they do not in time."""
    _look_wanted.set()
    try:
        until_s = time.monotonic() + within_s
        while not look_again():
            if time.monotonic() > until_s:
                return False
            time.sleep(0.02)
        return True
    finally:
        _look_wanted.clear()


def _usable(choice: str | int, kind: Kind) -> tuple[bool, str]:
    try:
        device = choose_device(choice, kind)
        sounddevice = load_portaudio()
        check = (
            sounddevice.check_input_settings
            if kind == "input"
            else sounddevice.check_output_settings
        )
        with _portaudio:
            check(device=device.index, channels=1, samplerate=device.rate_hz, dtype="float32")
    except AudioUnavailable as error:
        return False, str(error)
    except sounddevice.PortAudioError as error:
        return False, f"{device.name}: it cannot be opened ({_first_words(error)})."
    return True, device.name


def _listed(devices: list[Device]) -> str:
    return ", ".join(f"{d.index} '{d.name}' ({d.host_api})" for d in devices)


def _first_words(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__


if __name__ == "__main__":
    sys.exit(0 if _usable(sys.argv[2], "input" if sys.argv[1] == "input" else "output")[0] else 1)
