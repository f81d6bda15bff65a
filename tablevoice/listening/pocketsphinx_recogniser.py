"""PocketSphinx behind the recogniser interface: a grammar of the allowed phrases.

Knows the engine, its dictionary and how far its score supports a phrase; knows nothing of
answers, devices or time. :func:`tablevoice.listening.recognisers.open_recogniser` opens it.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Collection, Mapping
from pathlib import Path

from pocketsphinx import Config, Decoder, get_model_path

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.framing import to_pcm
from tablevoice.listening.wording import normalise, words_of
from tablevoice.model import Hypothesis, Samples

_KEPT_GRAMMARS = 64
"""A table has some dozens of questions; each grammar takes a few hundred kB."""


class PocketSphinxRecogniser:
    """One acoustic model, many grammars of which one is active."""

    def __init__(
        self,
        model: str | None = None,
        *,
        language: str = "en",
        pronunciations: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        folder = Path(get_model_path()) / "en-us" if model is None else Path(model)
        self._decoder = Decoder(
            Config(
                hmm=str(folder / "en-us"),
                dict=str(folder / "cmudict-en-us.dict"),
                lm=None,
                logfn=os.devnull,
                loglevel="FATAL",
            )
        )
        for word, variants in (pronunciations or {}).items():
            self._add_word(normalise(word), variants)
        self._grammars: OrderedDict[frozenset[str], str] = OrderedDict()
        self._named = 0
        self._open = False
        self.set_phrases(())

    def _add_word(self, word: str, variants: tuple[str, ...]) -> None:
        for number, phones in enumerate(variants, start=1):
            self._decoder.add_word(word if number == 1 else f"{word}({number})", phones)

    def set_phrases(self, phrases: Collection[str]) -> None:
        wanted = frozenset(filter(None, map(normalise, phrases)))
        if wanted not in self._grammars:
            missing = [w for w in words_of(wanted) if self._decoder.lookup_word(w) is None]
            if missing:
                raise RecogniserUnavailable(f"words missing: {missing}")
            self._named += 1
            name = f"grammar{self._named}"
            if wanted:
                text = " | ".join(sorted(wanted))
                self._decoder.add_jsgf_string(
                    name, f"#JSGF V1.0; grammar table; public <allowed> = {text};"
                )
            self._grammars[wanted] = name
        self._grammars.move_to_end(wanted)
        self._active = wanted

    def start(self) -> None:
        if self._open:
            self._decoder.end_utt()
        if self._active:
            self._decoder.activate_search(self._grammars[self._active])
            self._decoder.start_utt()
            self._open = True

    def feed(self, samples: Samples) -> None:
        if self._open:
            self._decoder.process_raw(to_pcm(samples))

    def finish(self) -> Hypothesis:
        if not self._open:
            return Hypothesis("", 0.0, True)
        self._decoder.end_utt()
        self._open = False
        found = self._decoder.hyp()
        return Hypothesis(found.hypstr if found else "", 1.0 if found else 0.0, False)

    def close(self) -> None:
        del self._decoder
