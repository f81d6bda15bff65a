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
import sys
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

    def _note_error(self, name: str | None, exception: BaseException) -> None:
        self._errors.append(str(exception))

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
        """Names that may stand in a cell file, without variants."""
        if self.driver != "espeak":
            return sorted(str(voice.id) for voice in self._engine.getProperty("voices"))
        from pyttsx3.drivers import _espeak

        names: set[str] = set()
        for voice in _espeak.ListVoices(None):
            # A priority byte, then the language code; the shortest name of that voice.
            names.add(voice.languages[1:].decode("utf-8", "replace"))
            names.add(voice.identifier.decode("utf-8", "replace").lower())
        return sorted(name for name in names if name)

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
        self._set_voice(voice)
        self._set("rate", rate_wpm)
        if self.driver == "espeak":
            self._set("pitch", pitch)
        elif pitch != NEUTRAL_PITCH:
            raise TextRefused(
                f"pitch {pitch} is asked for, but the voices of {self.driver} have one pitch;"
                f" set pitch to {NEUTRAL_PITCH}"
            )
        self._errors.clear()
        self._engine.save_to_file(text, file)
        self._engine.runAndWait()
        if self._errors:
            raise TextRefused(self._errors[0])
        if not Path(file).is_file():
            raise TextRefused("the engine wrote no sound")

    def _set(self, name: str, value: str | int) -> None:
        self._errors.clear()
        self._engine.setProperty(name, value)
        if self._errors:  # pyttsx3 swallows the driver's exception and only reports it
            raise TextRefused(f"{name} {value}: {self._errors[0]}")

    def _set_voice(self, voice: str) -> None:
        if self.driver != "espeak":
            if voice not in self.voices():
                raise VoiceUnknown(f"no voice {voice!r}")
            self._set("voice", voice)
            return
        base, plus, variant = voice.partition("+")
        if base.startswith("!v"):  # a bare variant: espeak takes it and has no language then
            raise VoiceUnknown(f"{voice!r} is a variant, not a voice")
        try:
            self._set("voice", voice)
        except TextRefused as error:
            raise VoiceUnknown(f"no voice {base!r}") from error
        # espeak-ng reports success for a variant that it does not have, and speaks
        # without it; the identifier of the voice in force tells.
        taken = str(self._engine.getProperty("voice"))
        if plus and not (variant and taken.endswith(f"+{variant.lower()}")):
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
    except Exception as error:  # an answer is owed whatever a driver raises
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
    except Exception as error:  # ImportError, OSError, a driver's own: all mean "cannot start"
        send({"failed": f"{type(error).__name__}: {error}"})
        return 1
    send({"ready": ready})
    requests = os.fdopen(os.dup(0), "r", encoding="utf-8")
    for line in requests:
        send(answer(speaker, json.loads(line)))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
