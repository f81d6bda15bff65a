"""Drives espeak-ng, SAPI5 or the macOS voices through pyttsx3.

espeak-ng gets SSML where a line has marks: pyttsx3 has no setting for that, but the library's
own flag does. Its text is ours to the last character, so nothing of a line is obeyed. Runs in
the engine's process only.
"""

from __future__ import annotations

import ctypes
import importlib.metadata
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tablevoice.markup import Pieces
from tablevoice.speech import espeak_library
from tablevoice.speech.driving import TextRefused, VoiceUnknown, as_text, check_pitch
from tablevoice.speech.espeak_ssml import espeak_ssml, needs_ssml

DRIVERS = {
    "espeak": "espeak",
    "system": {"win32": "sapi5", "darwin": "nsss"}.get(sys.platform, "espeak"),
}
"""A voice's ``engine`` and the pyttsx3 driver that serves it on this system."""

_SSML, _PHONEMES = 0x10, 0x100
# speak_lib.h of espeak-ng: espeakSSML and espeakPHONEMES (from memory)


class Pyttsx3Driver:
    """One pyttsx3 engine; see :class:`tablevoice.speech.driving.Driver`."""

    def __init__(self, engine: str) -> None:
        import pyttsx3  # here, so that a missing package is an answer and not a dead process

        self.driver = DRIVERS[engine]
        self.whole = self.driver == "espeak"
        if self.driver == "espeak":
            espeak_library.make_findable()
        self._engine = pyttsx3.init(self.driver)
        self._errors: list[str] = []
        self._engine.connect("error", self._note_error)
        if self.driver == "espeak":
            # Until a first line was spoken pyttsx3 holds settings back, and a look at the
            # voice in force would show the one before.
            self._engine.proxy.setBusy(False)
        self._languages: dict[str, str] = {}
        self._identifiers = self._identifiers_by_name()

    def _note_error(self, name: str | None, exception: BaseException) -> None:
        self._errors.append(str(exception))

    def _identifiers_by_name(self) -> dict[str, str]:
        if self.driver != "espeak":
            listed = self._engine.getProperty("voices")
            names = {str(voice.name).lower(): str(voice.id) for voice in listed}
            return names | {str(voice.id).lower(): str(voice.id) for voice in listed}
        from pyttsx3.drivers import _espeak

        # Looked up here and not by espeak_SetVoiceByName, which does not know a voice by
        # its language (en-gb, fr-fr) and keeps the last voice when it finds none.
        found: dict[str, str] = {}
        voices = [
            (
                voice.identifier.decode("utf-8", "replace").lower(),
                voice.languages[1:].decode("utf-8", "replace").lower(),  # after a priority byte
            )
            for voice in _espeak.ListVoices(None)
        ]
        for identifier, language in voices:
            self._languages[identifier] = language
            found[identifier] = identifier
            found[identifier.rpartition("/")[2]] = identifier
            found.setdefault(language, identifier)
        return {name: identifier for name, identifier in found.items() if name}

    def version(self) -> str:
        """Driver and engine version: whatever may change how a text sounds."""
        versions = [f"pyttsx3 {importlib.metadata.version('pyttsx3')}", self.driver]
        if self.driver == "espeak":
            from pyttsx3.drivers import _espeak

            versions.append(_espeak.Info(None).decode("utf-8", "replace"))
        else:
            versions.append(sys.platform)
        return " ".join(versions)

    def voices(self) -> list[str]:
        """Names that may stand in a cell file (in lower case, any case will do), no variants."""
        return sorted(self._identifiers)

    def variants(self) -> list[str]:
        """What may follow a ``+`` after an espeak voice; empty for other drivers."""
        if self.driver != "espeak":
            return []
        from pyttsx3.drivers import _espeak

        wanted = _espeak.VOICE(languages=b"variant")
        found = _espeak.ListVoices(ctypes.byref(wanted))
        names = (voice.identifier.decode("utf-8", "replace") for voice in found)
        return sorted({name.removeprefix("!v/") for name in names})

    def render(self, pieces: Pieces, voice: str, rate_wpm: int, pitch: int, file: str) -> None:
        """Write the pieces in ``voice`` to ``file``: WAV, on macOS AIFF."""
        self._errors.clear()
        self._set_voice(voice)
        self._set("rate", rate_wpm)
        if self.driver == "espeak":
            self._set("pitch", pitch)
        else:
            check_pitch(pitch, self.driver)
        self._settle()
        if self.whole and needs_ssml(pieces):
            english = self._language(voice).partition("-")[0] == "en"
            self._save(espeak_ssml(pieces, english=english), file, _SSML | _PHONEMES)
        else:
            self._save(as_text(pieces), file)
        if self._errors:
            raise TextRefused(self._errors[0])
        if not Path(file).is_file():
            raise TextRefused("the engine wrote no sound")

    def _save(self, text: str, file: str, flags: int = 0) -> None:
        with _synthesised_with(flags):
            self._engine.save_to_file(text, file)
            self._engine.runAndWait()

    def _language(self, voice: str) -> str:
        base = voice.partition("+")[0].lower()
        return self._languages.get(self._identifiers.get(base, ""), "")

    def _settle(self) -> None:
        # espeak-ng works in a thread of its own and counts as "playing" while that thread
        # ends a line or takes in a setting. pyttsx3 takes that for an old line at the start
        # of the next one and cancels the new one: without this wait a fifth to a quarter of
        # lines rendered back to back came out empty (54 of 240, measured).
        if self.driver == "espeak":
            from pyttsx3.drivers import _espeak

            _espeak.Synchronize()
            while _espeak.IsPlaying():
                time.sleep(0.0005)

    def _set(self, name: str, value: str | int) -> None:
        self._engine.setProperty(name, value)
        if self._errors:  # pyttsx3 swallows the driver's exception and only reports it
            raise TextRefused(f"{name} {value}: {self._errors[0]}")

    def _set_voice(self, voice: str) -> None:
        if self.driver != "espeak":
            if voice.lower() not in self._identifiers:
                raise VoiceUnknown(f"no voice {voice!r}")
            self._set("voice", self._identifiers[voice.lower()])
            return
        base, plus, variant = voice.partition("+")
        if base.lower() not in self._identifiers:
            raise VoiceUnknown(f"no voice {base!r}")
        wanted = self._identifiers[base.lower()] + plus + variant
        self._set("voice", wanted)
        # espeak-ng reports success for a variant that it does not have, and speaks
        # without it; the identifier of the voice in force tells.
        if (plus and not variant) or self._engine.getProperty("voice") != wanted.lower():
            raise VoiceUnknown(f"no variant {variant!r} of voice {base!r}")


@contextmanager
def _synthesised_with(flags: int) -> Iterator[None]:
    """Have pyttsx3 pass ``flags`` on to espeak-ng: it gives ENDPAUSE alone, looked up each time."""
    if not flags:
        yield
        return
    from pyttsx3.drivers import _espeak

    before = _espeak.ENDPAUSE
    _espeak.ENDPAUSE = before | flags
    try:
        yield
    finally:
        _espeak.ENDPAUSE = before
