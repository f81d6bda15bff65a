"""Speaks with espeak-ng inside this process: every accent of a language times every variant.

Goes to the library by ctypes, without a sound device and without files, because a corpus
needs ten thousands of clips; the arms' own voices go through :mod:`tablevoice.speech.engines`
instead, which survives a crash of the engine. Called by the studio only.
"""

from __future__ import annotations

import _ctypes
import ctypes
import ctypes.util
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from tablevoice.errors import EngineFailed
from tablevoice.model import Clip
from tablevoice.speech import espeak_library
from tablevoice.speech.cleaning import plain_text
from tablevoice.speech.engines import FASTEST_WPM, SLOWEST_WPM

MIDDLE_WPM = 160
"""Words a minute at speed 1: a person who wants to be understood."""

# speak_lib.h of espeak-ng (from memory)
_SYNCHRONOUS = 2
_DONT_EXIT = 0x8000
_UTF8 = 1
_RATE, _PITCH = 1, 3
_MIDDLE_PITCH = 50
_OK = 0
_SEED = 1

_PITCH_STEPS_AN_OCTAVE = 72.0
"""espeak-ng 1.52, en-us, measured by autocorrelation: 63 Hz at 0, 98 Hz at 50, 165 Hz at 100."""

_LEFT_OUT = (
    # imitations of machines, or nobody's voice
    "robosoft", "unirobot", "demonic", "anikarobot", "tweaky", "whisper", "croak",
    # PocketSphinx told 2 of 8 words of these in quiet, of the others 3 to 8
    "kaukovalta", "shelby", "zac",
)  # fmt: skip
"""Beginnings of variants that nobody is like."""

_OTHER_SCRIPT = ("en-shaw",)
"""Reads the letters of another alphabet only."""

_INSTALL = "Get it with: pip install espeakng-loader (or the system's espeak-ng package)."

_ReceivesSound = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)


class _VoiceRecord(ctypes.Structure):
    # espeak_VOICE of speak_lib.h (from memory)
    _fields_ = (
        ("name", ctypes.c_char_p),
        ("languages", ctypes.c_char_p),
        ("identifier", ctypes.c_char_p),
        ("gender", ctypes.c_ubyte),
        ("age", ctypes.c_ubyte),
        ("variant", ctypes.c_ubyte),
        ("xx1", ctypes.c_ubyte),
        ("score", ctypes.c_int),
        ("spare", ctypes.c_void_p),
    )


class EspeakVoices:
    """espeak-ng, loaded afresh for each clip. Its state is the process's: one thread at a time.

    The library keeps the phase of its oscillators, a wander of pitch and a random stream from
    clip to clip, and no call puts them back: the same text came out different each time. Let
    go and loaded again (6 ms instead of 2 a clip) it gives the same samples each time; where a
    system does not let go of a library, clips differ by that phase and wander only.
    """

    family = "espeak"
    own_pitch = True

    def __init__(self) -> None:
        """Raises :class:`EngineFailed` where there is no library or it does not start."""
        self._file, self._data = _find()
        with self._loaded() as library:
            records = _listed(library.espeak_ListVoices(None))
            wanted = _VoiceRecord(languages=b"variant")
            variants = _listed(library.espeak_ListVoices(ctypes.byref(wanted)))
        self._accents: dict[str, str] = {}
        for language, identifier in records:
            if not identifier.startswith(("mb/", "!v/")):
                self._accents.setdefault(language, identifier)
        self._variants = sorted(
            name
            for name in {identifier.removeprefix("!v/") for _, identifier in variants}
            if not name.lower().startswith(_LEFT_OUT)
        )

    def names(self, language: str) -> list[str]:
        """Every voice of the language: each accent, alone and with each variant."""
        wanted = language.lower()
        accents = [
            accent
            for accent in sorted(self._accents)
            if wanted in (accent, accent.partition("-")[0]) and accent not in _OTHER_SCRIPT
        ]
        return [
            name
            for accent in accents
            for name in (accent, *(f"{accent}+{variant}" for variant in self._variants))
        ]

    def say(self, name: str, text: str, speed: float, pitch_semitones: float) -> Clip:
        """``text`` in the voice ``name``; ``speed`` 1 is :data:`MIDDLE_WPM`.

        Both are held within what the engine can do. Raises :class:`EngineFailed`.
        """
        accent, plus, variant = name.partition("+")
        if accent not in self._accents or (plus and variant not in self._variants):
            raise EngineFailed(f"espeak-ng has no voice {name!r}.", do="Take one that is listed.")
        identifier = (self._accents[accent] + plus + variant).encode()
        rate = min(FASTEST_WPM, max(SLOWEST_WPM, round(MIDDLE_WPM * speed)))
        pitch = round(_MIDDLE_PITCH + pitch_semitones / 12.0 * _PITCH_STEPS_AN_OCTAVE)
        data = plain_text(text).encode() + b"\0"
        pieces: list[bytes] = []

        def take(wave: int | None, count: int, _events: int | None) -> int:
            if wave and count > 0:
                pieces.append(ctypes.string_at(wave, 2 * count))
            return 0

        receive = _ReceivesSound(take)  # kept alive until the library is let go
        with self._loaded() as library:
            if hasattr(library, "espeak_ng_SetRandSeed"):  # since 1.52
                library.espeak_ng_SetRandSeed(ctypes.c_long(_SEED))
            library.espeak_SetSynthCallback(receive)
            outcomes = (
                library.espeak_SetVoiceByName(identifier),
                # after the voice, which brings its own
                library.espeak_SetParameter(_RATE, rate, 0),
                library.espeak_SetParameter(_PITCH, min(100, max(0, pitch)), 0),
                library.espeak_Synth(data, len(data), 0, 0, 0, _UTF8, None, None),
            )
            rate_hz = int(library.espeak_ng_GetSampleRate())
        if any(outcome != _OK for outcome in outcomes):
            raise EngineFailed(f"espeak-ng refused, with status {max(outcomes)}.", where=name)
        pcm = np.frombuffer(b"".join(pieces), dtype="<i2")
        return Clip((pcm / 32768.0).astype(np.float32), rate_hz)

    def close(self) -> None:
        """Nothing is open between clips."""

    @contextmanager
    def _loaded(self) -> Iterator[ctypes.CDLL]:
        try:
            library = ctypes.CDLL(self._file)
        except OSError as error:
            what = f"The espeak-ng library does not load ({error})."
            raise EngineFailed(what, do=_INSTALL) from error
        try:
            library.espeak_ListVoices.restype = ctypes.POINTER(ctypes.POINTER(_VoiceRecord))
            library.espeak_ListVoices.argtypes = [ctypes.c_void_p]
            library.espeak_SetSynthCallback.restype = None
            library.espeak_Synth.argtypes = [
                ctypes.c_char_p, ctypes.c_size_t, ctypes.c_uint, ctypes.c_int, ctypes.c_uint,
                ctypes.c_uint, ctypes.c_void_p, ctypes.c_void_p,
            ]  # fmt: skip
            if library.espeak_Initialize(_SYNCHRONOUS, 0, self._data, _DONT_EXIT) < 0:
                raise EngineFailed("espeak-ng finds no data and does not start.", do=_INSTALL)
            yield library
            library.espeak_Terminate()
        finally:
            _let_go(library)


def _find() -> tuple[str, bytes | None]:
    """The library's file or name, and the folder of its data."""
    path: Path | None = espeak_library.wheel_path()
    if path is not None:
        return str(path), str(espeak_library.wheel_data()).encode()
    name = ctypes.util.find_library("espeak-ng")
    if name is None:
        raise EngineFailed("The espeak-ng library is not here.", do=_INSTALL)
    return name, None


def _listed(records: ctypes._Pointer[ctypes._Pointer[_VoiceRecord]]) -> list[tuple[str, str]]:
    """Language and identifier of each record of a list that ends with a null."""
    found = []
    position = 0
    while records[position]:
        record = records[position].contents
        language = record.languages[1:].decode("utf-8", "replace").lower()  # after a priority byte
        found.append((language, record.identifier.decode("utf-8", "replace")))
        position += 1
    return found


def _let_go(library: ctypes.CDLL) -> None:
    # ctypes has no public call for it, and keeps every library to the end of the process.
    if sys.platform == "win32":
        _ctypes.FreeLibrary(library._handle)
    else:
        _ctypes.dlclose(library._handle)
