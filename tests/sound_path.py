"""A real sound path for tests: a PulseAudio daemon whose null sink is loudspeaker and microphone.

What is played into the sink ``cell`` comes back from its monitor. The daemon has a
home, a runtime folder and a socket of its own, so it meets nobody else's sound server.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import subprocess
import threading
import time
from pathlib import Path

NEEDED = "pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins"
INSTALL = f"apt-get install {NEEDED}"
_PLUGIN = "libasound_module_pcm_pulse.so"


def missing_parts() -> list[str]:
    """Debian packages that a sound path needs and this system lacks."""
    missing = []
    if shutil.which("pulseaudio") is None:
        missing.append("pulseaudio")
    if shutil.which("pactl") is None:
        missing.append("pulseaudio-utils")
    if ctypes.util.find_library("portaudio") is None:
        missing.append("libportaudio2")
    libraries = [Path(root) for root in ("/usr/lib", "/usr/lib64", "/usr/local/lib")]
    if not any(any(root.glob(f"**/alsa-lib/{_PLUGIN}")) for root in libraries if root.is_dir()):
        missing.append("libasound2-plugins")
    return missing


class SoundServer:
    """One PulseAudio daemon, started and stopped at will; ``environment`` points programs at it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.socket = folder / "native"
        self._process: subprocess.Popen[bytes] | None = None
        self._steady: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)

    @property
    def environment(self) -> dict[str, str]:
        """All variables for a child process that shall hear and speak through this server."""
        own = {
            "HOME": str(self.folder),
            "XDG_RUNTIME_DIR": str(self.folder),
            "XDG_CONFIG_HOME": str(self.folder / "config"),
            "PULSE_RUNTIME_PATH": str(self.folder),
            "PULSE_STATE_PATH": str(self.folder / "state"),
            "PULSE_COOKIE": str(self.folder / "cookie"),
            "PULSE_SERVER": f"unix:{self.socket}",
            "PULSE_SINK": "cell",
            "PULSE_SOURCE": "cell.monitor",
        }
        return {**os.environ, **own}

    def start(self) -> None:
        """Start the daemon and wait until it answers."""
        self.socket.unlink(missing_ok=True)
        (self.folder / "pid").unlink(missing_ok=True)
        log = (self.folder / "pulseaudio.log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [
                    *("pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no"),
                    *("--exit-idle-time=-1", "--log-target=stderr", "--disable-shm=yes"),
                    *("-L", f"module-native-protocol-unix socket={self.socket}"),
                    *("-L", "module-null-sink sink_name=cell"),
                ],
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        end = time.monotonic() + 20.0
        while time.monotonic() < end and self._process.poll() is None:
            answer = subprocess.run(
                ["pactl", "list", "short", "sinks"],
                env=self.environment,
                capture_output=True,
                text=True,
                check=False,
                timeout=20.0,
            )
            if "cell" in answer.stdout:
                self.keep_steady()
                return
            time.sleep(0.05)
        text = (self.folder / "pulseaudio.log").read_text(errors="replace")
        self.stop()
        raise RuntimeError(f"pulseaudio does not answer:\n{text[-2000:]}")

    def keep_steady(self) -> None:
        """Play silence in small pieces: an idle null sink runs 2 s ahead and then stalls as long.

        Returns when sound flows through the monitor.
        """
        with Path("/dev/zero").open("rb") as silence:
            self._steady = subprocess.Popen(
                [
                    *("pacat", "--playback", "--raw", "--latency-msec=20"),
                    *("--format=s16le", "--rate=16000", "--channels=1"),
                ],
                env=self.environment,
                stdin=silence,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        monitor = subprocess.Popen(
            ["parec", "--raw", "--latency-msec=20", "--format=s16le", "--rate=16000"],
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert monitor.stdout is not None
        watchdog = threading.Timer(20.0, monitor.kill)
        watchdog.start()
        try:
            monitor.stdout.read(32_000)  # half a second of it
        finally:
            watchdog.cancel()
            monitor.kill()
            monitor.wait()
            monitor.stdout.close()

    def kill(self) -> None:
        """End the daemon at once, as a crash would."""
        self.end_steady()
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=10.0)
            self._process = None

    def end_steady(self) -> None:
        """Play no silence any more."""
        if self._steady is not None:
            self._steady.kill()
            self._steady.wait()
            self._steady = None

    def stop(self) -> None:
        """End the daemon in order."""
        self.end_steady()
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                self.kill()
            self._process = None
