"""The client of the speech engines: words and voice in, a clip out, whatever the engine does.

Owns the child process (:mod:`tablevoice.speech.engine_worker`): starts it when first
needed, times it out, kills it when it hangs, starts it again when it dies, and gives up
with one clear error. An engine that knows no pauses gets a line in parts, joined here. Knows
nothing of priorities, of the store or of loudspeakers.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import numpy as np
import soundfile

from tablevoice.errors import EngineFailed
from tablevoice.markup import Pieces, words_alone
from tablevoice.model import Clip, Samples, Voice
from tablevoice.speech import voices as voice_names
from tablevoice.speech.cleaning import Said, plain_pieces
from tablevoice.speech.driving import VOICE_FILES, packed
from tablevoice.speech.parts import EMPHASIS_PACE, Part, joined, parts_of
from tablevoice.speech.voices import VoiceNames

LONGEST_TEXT = 5_000
"""Characters: about a minute of speech, far above any line a table says."""

START_TIMEOUT_S = 30.0
"""For the child's imports on a slow, busy disk; a warm start takes about 0.2 s."""

BACK_OFF_S = (0.0, 0.2, 1.0)
"""Pause before each attempt of one render; its length is how often a crash is retried."""

SILENT_PEAK = 10 ** (-60 / 20)
"""A clip whose loudest sample lies below -60 dBFS is taken for silence."""

ENGINES = ("espeak", "system", "piper", "hibari")
_PACKAGES = {"piper": "'tablevoice[piper]'", "hibari": "'tablevoice[hibari]'"}

SLOWEST_WPM, FASTEST_WPM = 80, 450
"""Range of espeak-ng's own speed setting (its documented minimum and maximum)."""


class Engine:
    """Renders lines in a child process; usable as a context manager and from any thread.

    One child per kind of engine (:data:`ENGINES`); calls on the same kind wait for each
    other. For rendering in parallel, open several.
    """

    def __init__(self, *, start_timeout_s: float = START_TIMEOUT_S) -> None:
        self._start_timeout_s = start_timeout_s
        self._children = {kind: _Child(kind, start_timeout_s) for kind in ENGINES}
        self._versions: dict[str, str] = {}

    def __enter__(self) -> Engine:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def another(self) -> Engine:
        """A second engine like this one, for rendering side by side; the caller closes it."""
        return Engine(start_timeout_s=self._start_timeout_s)

    def close(self) -> None:
        """End the children; a later call starts them again."""
        for child in self._children.values():
            with child.lock:
                child.stop()

    def abandon(self, engine: str = "espeak") -> None:
        """End the child that is rendering now, if one is: whoever waits for it gets an error.

        Waits for nothing itself. For a line that nobody wants any more and that takes long.
        """
        self._child(engine).abandon()

    def render(self, text: Said, voice: Voice, timeout_s: float = 10.0) -> Clip:
        """Speak ``text`` as ``voice`` into a clip, mono ``float32`` at the engine's own rate.

        ``timeout_s`` bounds each attempt; only a child that died is tried again, up to
        ``len(BACK_OFF_S)`` times, one that hangs is killed and reported. ``gain_db`` is
        applied and held below full scale. Raises :class:`EngineFailed`.
        """
        child = self._child(voice.engine)
        pieces = plain_pieces(text, voice.engine)
        spelt = text if isinstance(text, str) else words_alone(text)
        _check(words_alone(pieces), spelt, voice)
        with child.lock:
            if child.ready()["whole"]:
                samples, rate_hz = child.render(pieces, voice, timeout_s)
            else:
                samples, rate_hz = _in_parts(pieces, voice, timeout_s, child)
        peak = float(np.max(np.abs(samples), initial=0.0))
        if peak < SILENT_PEAK:
            raise EngineFailed(
                f"The engine made no sound of {_short(spelt)}.",
                where=f"voice {voice.name}",
                do="Write words that can be spoken, or use a voice of the text's language.",
            )
        gain = min(10 ** (voice.gain_db / 20), 1.0 / peak)
        return Clip(samples * np.float32(gain), rate_hz)

    def names(self, engine: str = "espeak") -> VoiceNames:
        """The voices and variants of one kind of engine. Raises :class:`EngineFailed`."""
        child = self._child(engine)
        with child.lock:
            ready = child.ready()
        return _names(engine, ready)

    def voices(self, engine: str = "espeak") -> list[str]:
        """Names that a cell file may give as ``voice``: the short ones, for a list to choose from.

        ``names(engine).variants`` lists what may follow one of them after a ``+``.
        """
        return [name for name in self.names(engine).voices if "/" not in name]

    def version(self, engine: str = "espeak") -> str:
        """What may change how a text sounds: goes into the key of a prepared line.

        Asked of the child once, so that a line that is prepared never waits for a child that is
        busy or has died. Raises :class:`EngineFailed`.
        """
        if engine not in self._versions:
            child = self._child(engine)
            with child.lock:
                self._versions[engine] = str(child.ready()["version"])
        return self._versions[engine]

    def process_id(self, engine: str = "espeak") -> int | None:
        """Process number of the child, or ``None`` while none runs; waits for nothing."""
        return self._child(engine).process_id()

    def _child(self, engine: str) -> _Child:
        if engine not in self._children:
            raise EngineFailed(
                f"There is no engine {engine!r}.", do=f"Use one of: {', '.join(ENGINES)}."
            )
        return self._children[engine]


def _in_parts(pieces: Pieces, voice: Voice, timeout_s: float, child: _Child) -> tuple[Samples, int]:
    """A line part by part, with its pauses between; ``timeout_s`` bounds each part."""
    found: list[tuple[Part, Clip]] = []
    for part in parts_of(pieces):
        pace = EMPHASIS_PACE if part.emphasised else 1.0
        speaker = replace(voice, rate_wpm=max(SLOWEST_WPM, round(voice.rate_wpm * pace)))
        found.append((part, Clip(*child.render(part.pieces, speaker, timeout_s))))
    whole = joined(found)
    return whole.samples, whole.rate_hz


def _check(words: str, text: str, voice: Voice) -> None:
    where = f"voice {voice.name}"
    if not words.strip():
        raise EngineFailed(
            f"Nothing in {_short(text)} can be spoken.", where=where, do="Write words."
        )
    if len(words) > LONGEST_TEXT:
        raise EngineFailed(
            f"A text of {len(words)} characters is longer than {LONGEST_TEXT}.",
            where=where,
            do="Split it into several lines.",
        )
    if not SLOWEST_WPM <= voice.rate_wpm <= FASTEST_WPM:
        raise EngineFailed(
            f"rate_wpm {voice.rate_wpm} is outside {SLOWEST_WPM} to {FASTEST_WPM}.",
            where=where,
            do="Choose a rate within; 140 to 180 is easy to follow.",
        )
    if not 0 <= voice.pitch <= 100:
        raise EngineFailed(
            f"pitch {voice.pitch} is outside 0 to 100.", where=where, do="Use 50 for the middle."
        )


def _names(engine: str, ready: dict[str, Any]) -> VoiceNames:
    ending = VOICE_FILES.get(engine, "")
    return VoiceNames(tuple(ready["voices"]), tuple(ready["variants"]), ending)


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


class _ChildDied(Exception):
    """The child ended instead of answering."""


class _ChildHung(Exception):
    """The child did not answer in time."""


class _Child:
    """One engine process and the pipe to it. Its methods want ``lock`` held."""

    def __init__(self, engine: str, start_timeout_s: float) -> None:
        self.lock = threading.Lock()
        self._engine = engine
        self._start_timeout_s = start_timeout_s
        self._process: subprocess.Popen[str] | None = None
        self._answers: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._ready: dict[str, Any] = {}
        self._count = 0
        self._busy = False
        self._abandoned = False

    def process_id(self) -> int | None:  # the one method that needs no lock
        process = self._process
        return None if process is None else process.pid

    def abandon(self) -> None:  # neither does this one
        process = self._process
        if process is not None and self._busy:
            self._abandoned = True
            process.kill()

    def ready(self) -> dict[str, Any]:
        """Start the child unless it runs; what it said of itself when it was ready."""
        if self._process is not None and self._process.poll() is not None:
            self.stop()
        if self._process is None:
            self._ready = self._start()
        return self._ready

    def render(self, pieces: Pieces, voice: Voice, timeout_s: float) -> tuple[Samples, int]:
        where = f"voice {voice.name}"
        self._abandoned = False
        for pause_s in BACK_OFF_S:
            time.sleep(pause_s)
            ready = self.ready()
            self._busy = True
            try:
                return self._render_once(pieces, voice, timeout_s, ready)
            except _ChildDied:
                self.stop()
                if self._abandoned:
                    raise EngineFailed(
                        f"{_short(words_alone(pieces))} was given up while it was rendered.",
                        where=where,
                        do="Prepare lines ahead: tablevoice prepare.",
                    ) from None
            except _ChildHung as hung:
                self.stop()
                raise EngineFailed(
                    f"Engine {self._engine!r} did not answer within {timeout_s:g} s and was ended.",
                    where=where,
                    do="Say it again: the next line starts the engine afresh. If it comes back,"
                    " prepare lines ahead and look for another program that uses up the computer.",
                ) from hung
            finally:
                self._busy = False
        raise EngineFailed(
            f"Engine {self._engine!r} died {len(BACK_OFF_S)} times over"
            f" {_short(words_alone(pieces))}.",
            where=where,
            do="Reword the line or choose another voice; other lines are not affected.",
        )

    def stop(self) -> None:
        """End the child, at once and without asking it."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    try:
                        pipe.close()
                    except OSError:  # unsent bytes to a dead process: nobody is owed them
                        continue
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _start(self) -> dict[str, Any]:
        # A folder of ours: files of a child that was killed go with it.
        self._folder = tempfile.TemporaryDirectory(prefix="tablevoice-", ignore_cleanup_errors=True)
        error_file = Path(self._folder.name) / "stderr.txt"
        self._answers = queue.SimpleQueue()
        try:
            with error_file.open("wb") as errors:
                self._process = subprocess.Popen(
                    [sys.executable, "-m", "tablevoice.speech.engine_worker", self._engine],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=errors,
                    text=True,
                    encoding="utf-8",
                    env=_environment(),
                    creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # Windows only
                )
        except OSError as error:
            self.stop()
            raise self._no_start(str(error)) from error
        assert self._process.stdout is not None
        threading.Thread(
            target=_pass_on, args=(self._process.stdout, self._answers), daemon=True
        ).start()
        try:
            first = self._answer(self._start_timeout_s)
        except (_ChildDied, _ChildHung) as error:
            tail = error_file.read_text("utf-8", "replace").strip().splitlines()[-1:]
            self.stop()
            why = "it ended" if isinstance(error, _ChildDied) else "it hung"
            raise self._no_start(": ".join([why, *tail])) from error
        if "ready" not in first:
            self.stop()
            raise self._no_start(str(first.get("failed", first)))
        ready: dict[str, Any] = first["ready"]
        return ready

    def _no_start(self, why: str) -> EngineFailed:
        package = _PACKAGES.get(self._engine)
        do = (
            "Install it with: pip install pyttsx3 espeakng-loader"
            " (or the system's espeak-ng package); then try: tablevoice check."
            if package is None
            else f"Install it with: pip install {package}; then try: tablevoice check."
        )
        return EngineFailed(f"Engine {self._engine!r} does not start: {why}.", do=do)

    def _render_once(
        self, pieces: Pieces, voice: Voice, timeout_s: float, ready: dict[str, Any]
    ) -> tuple[Samples, int]:
        assert self._folder is not None
        assert self._process is not None
        self._count += 1
        file = Path(self._folder.name) / f"{self._count}.wav"
        request = {
            "id": self._count,
            "pieces": packed(pieces),
            "voice": voice.voice,
            "rate_wpm": voice.rate_wpm,
            "pitch": voice.pitch,
            "file": str(file),
        }
        pipe = self._process.stdin
        assert pipe is not None
        try:
            pipe.write(json.dumps(request) + "\n")
            pipe.flush()
        except OSError as error:
            raise _ChildDied from error
        reply = self._answer(timeout_s)
        if "rendered" not in reply:
            names = _names(self._engine, ready)
            unknown = reply.get("voice_unknown", False)
            raise EngineFailed(
                f"Engine {self._engine!r} refused: {reply.get('refused', reply)}.",
                where=f"voice {voice.name}",
                do=voice_names.advice(voice.voice, names) if unknown else "Change that setting.",
            )
        try:
            samples, rate_hz = soundfile.read(file, dtype="float32", always_2d=True)
        except (OSError, soundfile.LibsndfileError) as error:
            raise EngineFailed(
                f"The engine's sound of {_short(words_alone(pieces))} cannot be read: {error}.",
                where=f"voice {voice.name}",
                do=f"Make room in the folder for temporary files, {self._folder.name}.",
            ) from error
        file.unlink(missing_ok=True)
        return np.ascontiguousarray(samples.mean(axis=1), dtype=np.float32), int(rate_hz)

    def _answer(self, timeout_s: float) -> dict[str, Any]:
        try:
            line = self._answers.get(timeout=timeout_s)
        except queue.Empty as empty:
            raise _ChildHung from empty
        if line is None:
            raise _ChildDied
        reply: dict[str, Any] = json.loads(line)
        return reply


def _environment() -> dict[str, str]:
    # The child must find the package even where the parent runs from a source tree.
    root = str(Path(__file__).resolve().parents[2])
    known = os.environ.get("PYTHONPATH", "")
    path = os.pathsep.join([root, known]) if known else root
    return {**os.environ, "PYTHONPATH": path, "PYTHONIOENCODING": "utf-8"}


def _pass_on(pipe: IO[str], answers: queue.SimpleQueue[str | None]) -> None:
    try:
        for line in pipe:
            answers.put(line)
    except (OSError, ValueError):  # closed under us by stop()
        pass
    answers.put(None)
