"""The speech engine's own process: one JSON request a line in, one JSON answer a line out.

Started as ``python -m tablevoice.speech.engine_worker ENGINE`` by
:mod:`tablevoice.speech.engines`, which times it out, kills it and starts it again. It
knows pyttsx3 and its drivers and nothing of the table. It ends when its input ends, so
it never outlives the process that started it.

First line out: ``{"ready": {"driver", "version", "voices", "variants"}}`` or
``{"failed": text}``. A request: ``{"id", "text", "voice", "rate_wpm", "pitch", "file"}``;
its answer: ``{"id", "rendered": file}`` or ``{"id", "refused": text, "voice_unknown": bool}``.
"""

from __future__ import annotations

import ctypes
import importlib.metadata
import json
import os
import signal
import sys
import time
import unicodedata
from pathlib import Path
from typing import Any, TextIO

from tablevoice.speech import espeak_library

DRIVERS = {
    "espeak": "espeak",
    "system": {"win32": "sapi5", "darwin": "nsss"}.get(sys.platform, "espeak"),
}
"""A voice's ``engine`` and the pyttsx3 driver that serves it on this system."""

NEUTRAL_PITCH = 50


class VoiceUnknown(Exception):
    """No such voice, or no such variant of it."""


class TextRefused(Exception):
    """The text or a setting cannot be rendered."""


class Speaker:
    """One pyttsx3 engine. Not thread-safe; lives in this process's only thread."""

    def __init__(self, engine: str) -> None:
        import pyttsx3  # here, so that a missing package is an answer and not a dead process

        self.driver = DRIVERS[engine]
        if self.driver == "espeak":
            espeak_library.make_findable()
        self._engine = pyttsx3.init(self.driver)
        self._errors: list[str] = []
        self._engine.connect("error", self._note_error)
        if self.driver == "espeak":
            # Until a first line was spoken pyttsx3 holds settings back, and a look at the
            # voice in force would show the one before.
            self._engine.proxy.setBusy(False)
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

    def render(self, text: str, voice: str, rate_wpm: int, pitch: int, file: str) -> None:
        """Write ``text`` in ``voice`` to ``file``, in the driver's format (WAV; AIFF on macOS)."""
        if any(unicodedata.category(char) in ("Cc", "Cs") for char in text):
            # espeak takes U+0001 as the start of a command to itself.
            raise TextRefused("the text holds control characters")
        self._errors.clear()
        self._set_voice(voice)
        self._set("rate", rate_wpm)
        if self.driver == "espeak":
            self._set("pitch", pitch)
        elif pitch != NEUTRAL_PITCH:
            raise TextRefused(
                f"pitch {pitch} is asked for, but the voices of {self.driver} have one pitch;"
                f" set pitch to {NEUTRAL_PITCH}"
            )
        self._settle()
        self._engine.save_to_file(text, file)
        self._engine.runAndWait()
        if self._errors:
            raise TextRefused(self._errors[0])
        if not Path(file).is_file():
            raise TextRefused("the engine wrote no sound")

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


def answer(speaker: Speaker, request: dict[str, Any]) -> dict[str, Any]:
    """The answer to one request; whatever goes wrong inside pyttsx3 becomes a refusal."""
    try:
        speaker.render(
            str(request["text"]),
            str(request["voice"]),
            int(request["rate_wpm"]),
            int(request["pitch"]),
            str(request["file"]),
        )
    except VoiceUnknown as error:
        return {"id": request["id"], "refused": str(error), "voice_unknown": True}
    except Exception as error:  # noqa: BLE001 - an answer is owed whatever a driver raises
        reason = str(error) or type(error).__name__
        return {"id": request["id"], "refused": reason, "voice_unknown": False}
    return {"id": request["id"], "rendered": request["file"]}


def claim_stdout() -> TextIO:
    """Keep the real standard output for answers; send everybody else's prints nowhere."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8", newline="\n")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return answers


def main(engine: str) -> int:
    """Serve requests until the input ends; the exit status is 1 when the engine won't start."""
    # Ctrl-C at a terminal reaches this process too; the one that started it decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = claim_stdout()

    def send(message: dict[str, Any]) -> None:
        answers.write(json.dumps(message) + "\n")
        answers.flush()

    try:
        speaker = Speaker(engine)
        ready = {
            "driver": speaker.driver,
            "version": speaker.version(),
            "voices": speaker.voices(),
            "variants": speaker.variants(),
        }
    except Exception as error:  # noqa: BLE001 - whatever it is, it cannot start
        send({"failed": f"{type(error).__name__}: {error}"})
        return 1
    send({"ready": ready})
    requests = os.fdopen(os.dup(0), "r", encoding="utf-8")
    for line in requests:
        send(answer(speaker, json.loads(line)))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
