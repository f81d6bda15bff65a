"""The small interface behind which every recogniser stands, and the one place that picks one.

Knows no engine by itself: the engines are in modules of their own and are imported only
when picked. The ear drives a recogniser; the session opens and closes it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Protocol

from tablevoice.errors import RecogniserUnavailable
from tablevoice.model import Hypothesis, Samples

KINDS = ("pocketsphinx", "vosk")


class Recogniser(Protocol):
    """Turns the audio of one utterance at a time into one of the allowed phrases.

    Order of calls: ``set_phrases`` between utterances, then ``start``, any number of
    ``feed``, ``finish``. One thread at a time.
    """

    def set_phrases(self, phrases: Collection[str]) -> None:
        """Allow exactly these phrases from the next ``start`` on; cheap when seen before.

        Raises RecogniserUnavailable naming every word that the model does not know.
        """

    def start(self) -> None:
        """Begin an utterance; one that was left open is dropped."""

    def feed(self, samples: Samples) -> None:
        """More audio of the utterance: mono 16 kHz, shape ``(n,)``, ±1."""

    def complete(self) -> bool:
        """Whether what was heard so far is a whole allowed phrase (else wait for the rest)."""

    def finish(self) -> Hypothesis:
        """End the utterance and say what it was; empty text when nothing fits."""

    def reset(self) -> None:
        """Forget what was learned of the room and the speaker; the phrases stay."""

    def close(self) -> None:
        """Give the model's memory back; the recogniser is unusable afterwards."""


def open_recogniser(
    kind: str,
    model: str | None = None,
    *,
    language: str = "en",
    pronunciations: Mapping[str, tuple[str, ...]] | None = None,
) -> Recogniser:
    """Load a recogniser: ``kind`` is ``pocketsphinx`` or ``vosk``.

    ``model``: a folder or an installed package with one; ``None`` is the model that
    comes with PocketSphinx (English only). Raises RecogniserUnavailable when the kind,
    its package, its model or the language is not to be had.
    """
    if kind == "pocketsphinx":
        from tablevoice.listening.pocketsphinx_recogniser import PocketSphinxRecogniser

        return PocketSphinxRecogniser(model, language=language, pronunciations=pronunciations or {})
    if kind == "vosk":
        from tablevoice.listening.vosk_recogniser import VoskRecogniser

        return VoskRecogniser(model, pronunciations=pronunciations or {})
    raise RecogniserUnavailable(
        f"there is no recogniser of kind {kind!r}.", do=f"Use one of: {', '.join(KINDS)}."
    )
