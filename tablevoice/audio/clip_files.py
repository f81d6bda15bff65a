"""Reads and writes sound files (WAV, FLAC and what else libsndfile knows) as mono clips.

Knows file formats and what can be wrong with a file; does not know devices or
what a clip says. Called wherever a clip comes from or goes to disk.
"""

from __future__ import annotations

import contextlib
import os
import struct
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np
import soundfile
import soxr

from tablevoice.errors import AudioUnavailable
from tablevoice.model import Clip, Samples

LONGEST_S = 3600.0
"""A clip longer than this is refused before a sample of it is read."""

LOWEST_RATE_HZ = 1_000
HIGHEST_RATE_HZ = 768_000
MOST_CHANNELS = 64
FULL_SCALE_TOLERANCE = 1e-3
_FRAMES_PER_READ = 65_536
_WAV_SIZE_UNKNOWN = 0x7FFF_0000
"""Programs that write a WAV into a pipe leave a size of this or more in the header."""


def read_clip(path: Path | str, *, longest_s: float = LONGEST_S) -> Clip:
    """Read a sound file of any rate; several channels become their mean.

    Raises :class:`AudioUnavailable` for a file that is missing, unreadable, no sound
    file, cut off, empty, longer than ``longest_s``, or that holds values which are
    not numbers or lie beyond full scale.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            _refuse_truncated_wav(file, path)
            file.seek(0)
            with soundfile.SoundFile(file) as sound:
                return _read(sound, path, longest_s)
    except OSError as error:
        raise _unreadable(path, error) from error
    except soundfile.SoundFileError as error:
        raise _no_sound_file(path, error) from error


def read_stretch(path: Path | str, start_s: float, stop_s: float) -> Clip:
    """Read the part of a sound file between two times; what lies outside it is left out.

    For files too long to be read whole. Raises :class:`AudioUnavailable` as
    :func:`read_clip` does.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            _refuse_truncated_wav(file, path)
            file.seek(0)
            with soundfile.SoundFile(file) as sound:
                first = min(max(0, round(start_s * sound.samplerate)), sound.frames)
                last = min(max(first, round(stop_s * sound.samplerate)), sound.frames)
                sound.seek(first)
                return _read(sound, path, LONGEST_S, last - first)
    except OSError as error:
        raise _unreadable(path, error) from error
    except soundfile.SoundFileError as error:
        raise _no_sound_file(path, error) from error


def write_clip(path: Path | str, clip: Clip) -> None:
    """Write a clip as 16-bit WAV, FLAC or OGG, chosen by the name's ending.

    The file appears under its name only when it is complete, so a power cut leaves
    the old one or none. Samples beyond ±1 are limited.
    """
    with ClipWriter(path, clip.rate_hz) as writer:
        writer.append(clip.samples)


class ClipWriter:
    """Writes a sound file piece by piece, for sessions too long to hold in memory.

    The pieces go to ``NAME.part`` beside the file; ``close`` (or leaving the context
    without an error) gives it its name. After an error the part stays for inspection.
    """

    def __init__(self, path: Path | str, rate_hz: int) -> None:
        self.path = Path(path)
        self.rate_hz = rate_hz
        self._part = self.path.with_name(self.path.name + ".part")
        kind = self.path.suffix.lstrip(".").upper()
        if kind not in soundfile.available_formats():
            raise AudioUnavailable(
                f"'{self.path.suffix}' is not a kind of sound file that can be written.",
                where=str(self.path),
                do="Use a name that ends in .wav or .flac.",
            )
        try:
            self._file = soundfile.SoundFile(
                self._part, "w", samplerate=rate_hz, channels=1, format=kind
            )
        except (OSError, soundfile.SoundFileError, ValueError, TypeError) as error:
            raise self._unwritable(error) from error

    def append(self, samples: Samples) -> None:
        """Add mono ``samples``, shape ``(n,)``; beyond ±1 they are limited."""
        if not bool(np.isfinite(samples).all()):
            raise ValueError("a clip to be written holds values that are not numbers")
        try:
            self._file.write(np.clip(samples, -1.0, 1.0))
        except (OSError, soundfile.SoundFileError) as error:
            raise self._unwritable(error) from error

    def close(self) -> None:
        """Finish the file and give it its name. A second call does nothing."""
        if self._file.closed:
            return
        try:
            self._file.close()
            _sync(self._part)
            self._part.replace(self.path)
        except (OSError, soundfile.SoundFileError) as error:
            raise self._unwritable(error) from error

    def __enter__(self) -> ClipWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.close()
        else:
            self._file.close()

    def _unwritable(self, error: Exception) -> AudioUnavailable:
        return AudioUnavailable(
            f"the sound file cannot be written ({_reason(error)}).",
            where=str(self.path),
            do="Check that the folder exists, that this user may write there and that "
            "the disk has room.",
        )


def to_rate(clip: Clip, rate_hz: int) -> Clip:
    """Bring a clip to another rate (soxr, high quality); the same clip if it has it already."""
    if clip.rate_hz == rate_hz:
        return clip
    samples = soxr.resample(clip.samples, clip.rate_hz, rate_hz)
    return Clip(np.asarray(samples, dtype=np.float32), rate_hz)


def _read(
    sound: soundfile.SoundFile, path: Path, longest_s: float, wanted: int | None = None
) -> Clip:
    """From where the file stands, ``wanted`` frames or all."""
    where = str(path)
    rate_hz, channels = sound.samplerate, sound.channels
    frames = sound.frames if wanted is None else wanted
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ or channels > MOST_CHANNELS:
        raise AudioUnavailable(
            f"a rate of {rate_hz} Hz and {channels} channels cannot be meant.",
            where=where,
            do="Export the file again, mono, for instance at 24000 Hz.",
        )
    if frames <= 0:
        raise AudioUnavailable("the file holds no sound.", where=where, do="Record it again.")
    if frames > longest_s * rate_hz:
        raise AudioUnavailable(
            f"the file lasts {frames / rate_hz:.0f} s; the longest allowed is {longest_s:.0f} s.",
            where=where,
            do="Cut it into shorter files.",
        )
    samples = np.empty(frames, dtype=np.float32)
    filled = 0
    while filled < frames:
        block = sound.read(min(_FRAMES_PER_READ, frames - filled), "float32", always_2d=True)
        if not len(block):
            raise _truncated(path, filled / rate_hz, frames / rate_hz)
        mono = block[:, 0] if channels == 1 else block.mean(axis=1)
        samples[filled : filled + len(block)] = mono
        filled += len(block)
    if not bool(np.isfinite(samples).all()):
        raise AudioUnavailable(
            "the file holds values that are not numbers.", where=where, do="Export it again."
        )
    highest = float(np.abs(samples).max())
    if highest > 1.0 + FULL_SCALE_TOLERANCE:
        raise AudioUnavailable(
            f"the sound goes to {highest:.3g} times full scale.",
            where=where,
            do="Normalise it to a peak of at most 1.0 and export it again.",
        )
    return Clip(np.clip(samples, -1.0, 1.0), rate_hz)


def _refuse_truncated_wav(file: BinaryIO, path: Path) -> None:
    """Hold the size in a WAV's header against the file: libsndfile reads a cut one in silence."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:12] != b"WAVE":
        return
    at = 12
    while at + 8 <= size:
        file.seek(at)
        name, length = struct.unpack("<4sI", file.read(8))
        at += 8
        if name == b"data":
            if length < _WAV_SIZE_UNKNOWN and at + length > size:
                raise _truncated(path, size - at, length, "bytes")
            return
        at += length + (length & 1)


def _unreadable(path: Path, error: OSError) -> AudioUnavailable:
    return AudioUnavailable(
        f"the sound file cannot be read ({error.strerror or error}).",
        where=str(path),
        do="Check the path and that this user may read it.",
    )


def _no_sound_file(path: Path, error: Exception) -> AudioUnavailable:
    return AudioUnavailable(
        f"this is not a sound file that can be read ({_reason(error)}).",
        where=str(path),
        do="Give a WAV or FLAC file; convert it or export it again.",
    )


def _truncated(path: Path, there: float, promised: float, unit: str = "s") -> AudioUnavailable:
    digits = 0 if unit == "bytes" else 2
    return AudioUnavailable(
        f"the file is cut off: {there:.{digits}f} of {promised:.{digits}f} {unit} are there.",
        where=str(path),
        do="Copy or record it again.",
    )


def _reason(error: Exception) -> str:
    if isinstance(error, soundfile.LibsndfileError):
        return str(error.error_string).rstrip(".")
    return str(getattr(error, "strerror", None) or error).rstrip(".")


def _sync(path: Path) -> None:
    # suppressed: a network drive may not offer fsync
    with contextlib.suppress(OSError), path.open("rb+") as file:
        os.fsync(file.fileno())
