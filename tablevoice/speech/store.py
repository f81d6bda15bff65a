"""Prepared lines: from words and a voice to their audio, out of memory, disk or the engine.

Content-addressed: an entry's name is a hash of everything that shapes the sound, so an
edited line, another voice setting or a newer engine is simply another entry. Entries
are FLAC, 16 bit, at the engine's rate: lossless, playable by anything, and measured at
half a WAV's size, so that 10,000 lines of two seconds fit into 500 MB. Each carries a
digest of its samples; one that does not hold is removed and made again. What the phrasebook
in use needs goes last when room is made, and not without being told. Knows nothing of
phrasebooks or of when a line is said.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import threading
import time
import uuid
from collections import OrderedDict
from collections.abc import Collection
from functools import cache
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
from numpy.typing import NDArray

from tablevoice.errors import Problem, StoreUnwritable
from tablevoice.markup import Words
from tablevoice.model import Clip, Voice
from tablevoice.speech.cleaning import Said
from tablevoice.speech.driving import VOICE_FILES, packed
from tablevoice.speech.loudness import Levelled, Loudness, levelled
from tablevoice.speech.trimming import trim

FORMAT = 2
"""Raised whenever the same text and voice would be stored as other samples."""

DEFAULT_MEMORY_MB = 128
"""About 1,450 lines of two seconds at 22,050 Hz; a 10,000-line book falls back on the disk."""

BYTES_PER_MB = 1_000_000
STALE_TEMPORARY_S = 3600.0
KEEP_SHARE = 0.9
"""When the disk's bound is passed, the least recently used go until this share is left."""

RESCAN_SHARE = 0.01
"""After writing this share of the bound, look again at what other processes added."""


class Renderer(Protocol):
    """What the store needs of an engine; :class:`tablevoice.speech.engines.Engine` is one."""

    def render(self, text: Said, voice: Voice, timeout_s: float = ...) -> Clip:
        """Speak ``text`` as ``voice``; raises :class:`tablevoice.errors.EngineFailed`."""
        ...

    def version(self, engine: str = ...) -> str:
        """What may change how a text sounds."""
        ...


def line_key(
    said: Said, voice: Voice, engine_version: str, loudness: Loudness | None = None
) -> str:
    """Name of an entry: 64 hexadecimal digits (SHA-256) of everything that shapes the sound.

    The voice's own name is left out: two arms with the same settings share entries. Words
    count with their pronunciation, so an entry of the dictionary changes the lines that it
    stands in and no others.
    """
    shape = [
        FORMAT,
        engine_version,
        voice.engine,
        voice.voice,
        _file_mark(voice.voice) if voice.voice.endswith(tuple(VOICE_FILES.values())) else "",
        voice.rate_wpm,
        voice.pitch,
        float(voice.gain_db),
        None if loudness is None else [loudness.target_lufs, loudness.ceiling_dbtp],
        packed([Words(said)] if isinstance(said, str) else said),
    ]
    return hashlib.sha256(json.dumps(shape).encode("ascii")).hexdigest()


@cache
def _file_mark(name: str) -> str:
    """Size and time of a voice file: another file of the same name is another voice.

    Looked up once, so that a file that goes while a table is open takes no prepared line along.
    """
    try:
        found = Path(name).stat()
    except OSError:
        return "gone"
    return f"{found.st_size} {found.st_mtime_ns}"


class PreparedStore:
    """Prepared lines in memory and on disk. May be used from threads, and shared by processes.

    ``folder=None`` keeps lines in memory only. ``loudness``: what lines are brought to, ``None``
    leaves them as their engine gives them. Raises :class:`StoreUnwritable` when the
    folder cannot be written; the caller may then go on with ``PreparedStore(None, 0)``.
    """

    def __init__(
        self,
        folder: Path | None,
        max_mb: float,
        *,
        memory_mb: float = DEFAULT_MEMORY_MB,
        loudness: Loudness | None = None,
    ) -> None:
        self.loudness = loudness
        self._memory = _Memory(round(memory_mb * BYTES_PER_MB))
        self._disk = None if folder is None else _Disk(folder, round(max_mb * BYTES_PER_MB))
        self.problem: Problem | None = None
        """Why the last line could be kept in memory only, or pushed out one that is needed;
        ``None`` when all went to disk."""

    def key_of(self, said: Said, voice: Voice, engine: Renderer) -> str:
        """Name of the entry of a line in this store. Raises as ``engine.version``."""
        return line_key(said, voice, engine.version(voice.engine), self.loudness)

    def clip_for(self, text: Said, voice: Voice, engine: Renderer, timeout_s: float = 10.0) -> Clip:
        """The audio of a line, ready to be played, from the fastest place that has it.

        Goes on from memory when the disk takes no more, and says so in :attr:`problem`.
        Raises :class:`tablevoice.errors.EngineFailed` when it has to be rendered and cannot.
        """
        key = self.key_of(text, voice, engine)
        clip = self.get(key)
        if clip is not None:
            return clip
        clip = self.render(text, voice, engine, timeout_s).clip
        try:
            return self.put(key, clip)
        except StoreUnwritable as error:
            self.problem = error.problem
            return clip

    def prepared(self, text: Said, voice: Voice, engine: Renderer) -> Clip | None:
        """The audio of a line if it is there already; nothing is rendered for it."""
        return self.get(self.key_of(text, voice, engine))

    def render(
        self, text: Said, voice: Voice, engine: Renderer, timeout_s: float = 10.0
    ) -> Levelled:
        """The line as it is stored: rendered, trimmed, at its loudness. Stores nothing."""
        clip = trim(engine.render(text, voice, timeout_s))
        if self.loudness is None:
            return Levelled(clip, 0.0)
        return levelled(clip, self.loudness.of_voice(voice.gain_db))

    def get(self, key: str) -> Clip | None:
        """An entry, or ``None`` when there is none or a damaged one (which is removed)."""
        held = self._memory.get(key)
        if held is None and self._disk is not None:
            held = self._disk.read(key)
            if held is not None:
                self._memory.put(key, held)
        return None if held is None else held.clip()

    def put(self, key: str, clip: Clip) -> Clip:
        """Keep a clip, in memory in any case; what :meth:`get` will give back.

        Raises :class:`StoreUnwritable` when the disk does not take it.
        """
        held = _Held.of(clip)
        self._memory.put(key, held)
        if self._disk is not None:
            self._disk.write(key, held)
            self.problem = self._disk.too_small()
        return held.clip()

    def need(self, keys: Collection[str]) -> None:
        """These are what is in use now: they go last when room is made, here or elsewhere."""
        if self._disk is not None:
            self._disk.need(keys)

    def holds(self, key: str) -> bool:
        """Whether an entry is there and whole; a damaged one is removed. Reads it from disk."""
        if self._disk is None:
            return self._memory.has(key)
        return self._disk.read(key) is not None

    def has(self, key: str) -> bool:
        """Whether an entry seems to be there; its content is not looked at."""
        return self._memory.has(key) or (self._disk is not None and self._disk.has(key))

    @property
    def disk_bytes(self) -> int:
        """Bytes of all entries on disk, looked up anew; 0 for a store in memory only."""
        return 0 if self._disk is None else self._disk.scan()

    @property
    def memory_bytes(self) -> int:
        """Bytes of audio held in memory."""
        return self._memory.size


class _Held:
    """Audio as it is kept: 16-bit samples, their rate, and the digest that vouches for them."""

    __slots__ = ("pcm", "rate_hz")

    def __init__(self, pcm: NDArray[np.int16], rate_hz: int) -> None:
        self.pcm = pcm
        self.rate_hz = rate_hz

    @classmethod
    def of(cls, clip: Clip) -> _Held:
        scaled = np.clip(np.rint(clip.samples * 32_768.0), -32_768, 32_767)
        return cls(scaled.astype(np.int16), clip.rate_hz)

    def clip(self) -> Clip:
        return Clip(self.pcm.astype(np.float32) / np.float32(32_768.0), self.rate_hz)

    def digest(self, key: str) -> str:
        """Vouches for the samples and for whose they are."""
        little = self.pcm.astype("<i2", copy=False).tobytes()
        return hashlib.sha256(f"{key}:{self.rate_hz}:".encode() + little).hexdigest()


class _Memory:
    """The least recently used go first when ``max_bytes`` is passed."""

    def __init__(self, max_bytes: int) -> None:
        self.size = 0
        self._max_bytes = max_bytes
        self._held: OrderedDict[str, _Held] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: str) -> _Held | None:
        with self._lock:
            held = self._held.get(key)
            if held is not None:
                self._held.move_to_end(key)
            return held

    def has(self, key: str) -> bool:
        with self._lock:
            return key in self._held

    def put(self, key: str, held: _Held) -> None:
        with self._lock:
            old = self._held.pop(key, None)
            self.size += held.pcm.nbytes - (old.pcm.nbytes if old else 0)
            self._held[key] = held
            while self.size > self._max_bytes and self._held:
                _, gone = self._held.popitem(last=False)
                self.size -= gone.pcm.nbytes


class _Disk:
    """One file an entry in one folder. Last use is the file's modification time."""

    def __init__(self, folder: Path, max_bytes: int) -> None:
        self._folder = folder
        self._max_bytes = max_bytes
        self._written_since_scan = 0
        self._needed: frozenset[str] = frozenset()
        self._needed_removed = 0
        self._lock = threading.Lock()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            probe = folder / f"{uuid.uuid4().hex}.tmp"
            probe.write_bytes(b"")
            probe.unlink()
        except OSError as error:
            raise _unwritable(folder, error) from error
        self._forget_temporary()
        self._known_bytes = self.scan()
        self._make_room()

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}.flac"

    def has(self, key: str) -> bool:
        return self._path(key).is_file()

    def read(self, key: str) -> _Held | None:
        path = self._path(key)
        try:
            data = path.read_bytes()
        except OSError:  # not there, or taken away by another process this moment
            return None
        held = _decoded(data, key)
        if held is None:
            _remove(path)
            return None
        try:
            os.utime(path)
        except OSError:  # a read-only or vanished entry merely looks older than it is
            pass
        return held

    def write(self, key: str, held: _Held) -> None:
        data = _encoded(held, key)
        temporary = self._folder / f"{key[:16]}-{uuid.uuid4().hex}.tmp"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)  # a cleaned-up cache comes back
            with temporary.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(self._path(key))
        except OSError as error:
            _remove(temporary)
            # Windows refuses to replace a file that another process is reading: what that
            # process reads is the same entry, so nothing is lost.
            if isinstance(error, PermissionError) and self.has(key):
                return
            raise _unwritable(self._folder, error) from error
        with self._lock:
            self._known_bytes += len(data)
            self._written_since_scan += len(data)
            over = self._known_bytes > self._max_bytes
            if over or self._written_since_scan > self._max_bytes * RESCAN_SHARE:
                self._known_bytes = self.scan()
                self._make_room()
                self._written_since_scan = 0

    def scan(self) -> int:
        return sum(size for _, size, _ in self._entries())

    def _entries(self) -> list[tuple[float, int, Path]]:
        found = []
        for path in self._folder.glob("*.flac"):
            try:
                status = path.stat()
            except OSError:  # another process removed it
                continue
            found.append((status.st_mtime, status.st_size, path))
        return found

    def _make_room(self) -> None:
        if self._known_bytes <= self._max_bytes:
            return
        entries = [
            (path.stem in self._needed, used_s, size, path)
            for used_s, size, path in self._entries()
        ]
        for needed, _, size, path in sorted(entries):
            # Room ahead is made of what nobody needs; of what is needed, only what must go goes.
            if self._known_bytes <= self._max_bytes * (1.0 if needed else KEEP_SHARE):
                break
            _remove(path)
            self._known_bytes -= size
            self._needed_removed += needed

    def need(self, keys: Collection[str]) -> None:
        with self._lock:
            self._needed = frozenset(keys)
            self._needed_removed = 0
        for key in keys:
            try:
                os.utime(self._path(key))  # so that other processes see that it is used
            except OSError:  # not there (yet), or not ours to touch
                continue

    def too_small(self) -> Problem | None:
        """What to say when something that is needed had to go; said once."""
        with self._lock:
            removed, self._needed_removed = self._needed_removed, 0
        if not removed:
            return None
        return Problem(
            f"The store is too small for this phrasebook: {removed} of its prepared lines had to"
            " go, and will be rendered when they are said.",
            str(self._folder),
            "Give it a larger bound: max_mb under store: in the cell file.",
        )

    def _forget_temporary(self) -> None:
        # Left by a process that was killed while it wrote; a young one may be in use.
        oldest = time.time() - STALE_TEMPORARY_S
        for path in self._folder.glob("*.tmp"):
            try:
                if path.stat().st_mtime < oldest:
                    path.unlink()
            except OSError:  # another process was faster
                continue


def _encoded(held: _Held, key: str) -> bytes:
    buffer = io.BytesIO()
    with soundfile.SoundFile(
        buffer, "w", held.rate_hz, channels=1, subtype="PCM_16", format="FLAC"
    ) as file:
        file.comment = held.digest(key)
        file.write(held.pcm)
    return buffer.getvalue()


def _decoded(data: bytes, key: str) -> _Held | None:
    """The entry of that name in ``data``, or ``None`` when any of it is damaged."""
    try:
        with soundfile.SoundFile(io.BytesIO(data)) as file:
            pcm = file.read(dtype="int16")
            held = _Held(pcm, file.samplerate)
            sound = pcm.ndim == 1 and file.comment == held.digest(key)
    except (soundfile.LibsndfileError, RuntimeError, ValueError, UnicodeDecodeError):
        return None
    return held if sound else None


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:  # in use elsewhere (Windows): the next to find it tries again
        pass


def _unwritable(folder: Path, error: OSError) -> StoreUnwritable:
    return StoreUnwritable(
        f"Prepared lines cannot be written: {error.strerror or error}.",
        where=str(folder),
        do="Make room, give write permission, or name another folder under store: in the cell"
        " file. Until then lines can be kept in memory only.",
    )
