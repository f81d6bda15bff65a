"""The speech engine's own process: one JSON request a line in, one JSON answer a line out.

Started as ``python -m tablevoice.speech.engine_worker ENGINE`` by
:mod:`tablevoice.speech.engines`, which times it out, kills it and starts it again. It
opens one driver and knows nothing of the table. It ends when its input ends, so it never
outlives the process that started it.

First line out: ``{"ready": {"driver", "whole", "version", "voices", "variants"}}`` or
``{"failed": text}``. A request: ``{"id", "pieces", "voice", "rate_wpm", "pitch", "file"}``
(the pieces as :mod:`tablevoice.speech.driving` packs them); its answer:
``{"id", "rendered": file}`` or ``{"id", "refused": text, "voice_unknown": bool}``.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import unicodedata
from typing import Any, TextIO

from tablevoice.markup import Pieces, Words
from tablevoice.speech.driving import Driver, TextRefused, VoiceUnknown, unpacked


def open_driver(engine: str) -> Driver:
    """The driver of one kind of engine; whatever it raises is told to whoever asked."""
    # Imported here, so that a process loads no other engine than its own.
    if engine == "piper":
        from tablevoice.speech.piper_driver import PiperDriver

        return PiperDriver()
    if engine == "hibari":
        from tablevoice.speech.hibari_driver import HibariDriver

        return HibariDriver()
    from tablevoice.speech.pyttsx3_driver import Pyttsx3Driver

    return Pyttsx3Driver(engine)


def answer(speaker: Driver, request: dict[str, Any]) -> dict[str, Any]:
    """The answer to one request; whatever goes wrong inside an engine becomes a refusal."""
    try:
        pieces = unpacked(request["pieces"])
        _refuse_controls(pieces)
        speaker.render(
            pieces,
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


def _refuse_controls(pieces: Pieces) -> None:
    """A second look at what the client took out already: the wall is here too."""
    for piece in pieces:
        if isinstance(piece, Words) and any(
            unicodedata.category(char) in ("Cc", "Cs") for char in piece.text
        ):
            # espeak takes U+0001 as the start of a command to itself.
            raise TextRefused("the text holds control characters")


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
        speaker = open_driver(engine)
        ready = {
            "driver": speaker.driver,
            "whole": speaker.whole,
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
